// The smallest probe that keeps the contract, as a sketch for boards with Wi-Fi.
//
// Yours to fill in are the class and the functions of the seam below, with the libraries of your board.
//
// Left out on purpose: samples are not kept while the network is away; calibration by command; a watchdog. A probe moves
// nothing, so no rule of safety is left out. A command whose id holds a backslash is refused.

#include <Arduino.h>

#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#ifndef DEVICE
#define DEVICE "probe-4"
#endif
#ifndef PERIOD_MS
#define PERIOD_MS 60000
#endif

// ---- the seam

// A client of MQTT 3.1.1: QoS 1 both ways, a persistent session (clean session off). It calls arrived() from loop(), and
// acknowledges a message after arrived() has returned; payload is nullptr for a message that is larger than 8 KiB. From
// arrived() the sketch may publish: the payload must stay as it is meanwhile.
class Link {
 public:
  virtual bool connect(const char *clientId, const char *willTopic, const char *will) = 0;  // last will: retained
  virtual bool connected() = 0;
  virtual bool subscribe(const char *topic) = 0;
  virtual bool publish(const char *topic, const char *payload, bool retained) = 0;
  virtual void loop() = 0;
};

Link &theLink();
bool clockMs(int64_t *now);    // UNIX time in ms; false: the clock is not set
void setClockMs(int64_t now);  // told by the service
bool measure(double *celsius, double *siemensPerM, double *volts);  // as measured, not brought to 25 degC
void restartBoard();
void arrived(const char *topic, const char *payload, size_t size);

const int NAME = 65;
static char boot[17], out[700];
static bool restarting;
const char *const PREFIX = "tareline/" DEVICE "/";

static int64_t uptimeMs() {
  static uint32_t last = millis();
  static int64_t sum = 0;
  uint32_t now = millis();
  sum += (uint32_t)(now - last);
  last = now;
  return sum;
}

static int64_t nowOrNone() {
  int64_t now;
  return clockMs(&now) ? now : -1;
}

// ---- JSON: the members of one flat object, without recursion; a value that is an object or list is passed over

struct Text { const char *at, *end; };

static bool passString(const char *&at, const char *end) {
  for (at++; at < end && *at != '"'; at++) {
    if (*at == '\\') at++;
  }
  return at < end && *at++ == '"';
}

static bool get(const char *at, const char *end, const char *key, Text &found) {
  int depth = 0;
  bool isKey = true, wanted = false;
  while (at < end) {
    const char *start = at;
    if (*at == '"') {
      if (!passString(at, end)) return false;
      if (depth != 1) continue;
      if (isKey) wanted = (size_t)(at - start - 2) == strlen(key) && memcmp(start + 1, key, at - start - 2) == 0;
    } else if (*at == '{' || *at == '[') {
      depth++, at++;
      continue;
    } else if (*at == '}' || *at == ']') {
      depth--, at++;
      continue;
    } else if (*at == ':' || *at == ',') {
      if (depth == 1) isKey = *at == ',';
      at++;
      continue;
    } else if (*at == ' ' || *at == '\n' || *at == '\r' || *at == '\t') {
      at++;
      continue;
    } else {
      while (at < end && !strchr(",}] \n\r\t", *at)) at++;
    }
    if (depth == 1 && !isKey && wanted) {
      found = {start, at};
      return true;
    }
  }
  return false;
}

static bool getWhole(const char *at, const char *end, const char *key, int64_t &number) {
  Text value;
  number = 0;
  if (!get(at, end, key, value) || value.end - value.at > 16) return false;
  for (const char *c = value.at; c < value.end; c++) {
    if (*c < '0' || *c > '9') return false;
    number = number * 10 + (*c - '0');
  }
  return true;
}

static bool getName(const char *at, const char *end, const char *key, char *name) {
  Text value;
  if (!get(at, end, key, value) || *value.at != '"') return false;
  size_t size = value.end - value.at - 2;
  if (size < 1 || size >= (size_t)NAME || memchr(value.at, '\\', size + 1)) return false;
  memcpy(name, value.at + 1, size);
  name[size] = 0;
  return true;
}

// ---- what it says and hears

static bool say(const char *tail, bool retained = false) {
  char topic[128];
  snprintf(topic, sizeof topic, "%sup/%s", PREFIX, tail);
  return theLink().connected() && theLink().publish(topic, out, retained);
}

static void sayHello() {
  snprintf(out, sizeof out,
           "{\"boot\":\"%s\",\"uptime_ms\":%lld,\"board\":\"example-%s\",\"kind\":\"probe\","
           "\"firmware\":\"example-sketch\",\"clock\":\"%s\",\"calibration\":null}",
           boot, (long long)uptimeMs(), DEVICE, nowOrNone() < 0 ? "unset" : "set");
  say("hello", true);
}

static void refuse(const char *detail) {
  char at[24] = "null";
  int64_t now = nowOrNone();
  if (now >= 0) snprintf(at, sizeof at, "%lld", (long long)now);
  snprintf(out, sizeof out,
           "{\"boot\":\"%s\",\"at_ms\":%s,\"uptime_ms\":%lld,\"code\":\"message_refused\",\"detail\":\"%s\"}", boot, at,
           (long long)uptimeMs(), detail);
  say("fault");
}

static bool takeTime(const char *at, const char *end) {
  char echoed[NAME];
  int64_t now, echoedMs;
  if (!getName(at, end, "boot", echoed) || !getWhole(at, end, "now_ms", now)) return false;
  if (!getWhole(at, end, "uptime_ms", echoedMs)) return false;
  int64_t staleMs = uptimeMs() - echoedMs;
  if (nowOrNone() < 0 && strcmp(echoed, boot) == 0 && staleMs >= 0 && staleMs <= 5000) {
    setClockMs(now);
    sayHello();
  }
  return true;
}

static bool takeCommand(const char *at, const char *end) {
  static char last[NAME];  // a command that is told again acts once
  char id[NAME], what[NAME];
  Text expires;
  int64_t endMs = -1, now = nowOrNone();
  if (!getName(at, end, "id", id) || !getName(at, end, "do", what)) return false;
  bool ends = get(at, end, "expires_at_ms", expires) && memcmp(expires.at, "null", 4) != 0;
  if (ends && !getWhole(at, end, "expires_at_ms", endMs)) return false;
  bool late = ends && (now < 0 || now >= endMs);
  bool known = strcmp(what, "restart") == 0 && !late && strcmp(id, last) != 0;
  strcpy(last, id);
  snprintf(out, sizeof out, "{\"id\":\"%s\",\"ok\":%s,\"detail\":null,\"result\":null}", id, known ? "true" : "false");
  say("reply");
  restarting = restarting || known;
  return true;
}

void arrived(const char *topic, const char *payload, size_t size) {
  const char *tail = topic + strlen(PREFIX) + strlen("down/"), *end = payload + size;
  if (payload == nullptr) {
    refuse("larger than 8 KiB");
  } else if (size == 0 || *payload != '{') {
    refuse("expected an object");
  } else if ((strcmp(tail, "time") == 0 && !takeTime(payload, end)) ||
             (strcmp(tail, "command") == 0 && !takeCommand(payload, end))) {
    refuse("a field is missing or wrong");
  }
}

static void saySamples() {  // one sample as a SenML pack (RFC 8428)
  double celsius, siemensPerM, volts;
  if (!theLink().connected() || !measure(&celsius, &siemensPerM, &volts)) return;
  char when[96];
  int64_t now = nowOrNone();
  if (now < 0) {  // no clock: times relative to sending, and what places them later
    snprintf(when, sizeof when, "\"boot\":\"%s\",\"uptime_ms\":%lld,\"t\":0", boot, (long long)uptimeMs());
  } else {
    snprintf(when, sizeof when, "\"bt\":%lld", (long long)(now / 1000));
  }
  snprintf(out, sizeof out,
           "[{%s,\"n\":\"temperature\",\"u\":\"Cel\",\"v\":%.2f},{\"n\":\"conductivity\",\"u\":\"S/m\",\"v\":%.6f},"
           "{\"n\":\"voltage\",\"u\":\"V\",\"v\":%.4f}]",
           when, celsius, siemensPerM, volts);
  say("samples");
}

static void connectIfNeeded() {
  static int64_t tryMs = 0;
  char topic[128];
  if (theLink().connected() || uptimeMs() < tryMs) return;
  tryMs = uptimeMs() + 1000;
  snprintf(topic, sizeof topic, "%sup/status", PREFIX);
  if (!theLink().connect(PREFIX, topic, "{\"online\":false}")) return;
  snprintf(topic, sizeof topic, "%sdown/#", PREFIX);
  theLink().subscribe(topic);
  strcpy(out, "{\"online\":true}");
  say("status", true);
  sayHello();
}

void setup() {
  uptimeMs();
  snprintf(boot, sizeof boot, "%08lx%08lx", (unsigned long)random(0x7fffffff), (unsigned long)random(0x7fffffff));
}

void loop() {
  static int64_t nextMs = 0;
  connectIfNeeded();
  theLink().loop();
  if (uptimeMs() >= nextMs) {
    nextMs = uptimeMs() + PERIOD_MS;
    saySamples();
  }
  if (restarting) restartBoard();
}
