// The smallest feeder that keeps the contract, as a sketch for boards with at least 100 KB of RAM, Wi-Fi and a flash
// file system.
//
// Yours to fill in are the four classes and functions of the seam below, with the libraries of your board: a client of
// MQTT 3.1.1, a file, a clock, a motor and a scale. Masses are whole micrograms and times whole milliseconds.
//
// Left out on purpose (none of it is a safety rule): tare and calibrate, up/weight, the button, telling doses that are
// missed, learning the gain from the plan, a watchdog (start your board's, feed it once per loop), and feeding without
// a clock: as long as nobody has told it the time, no meal is fed. A name with a backslash in it is refused.

#include <Arduino.h>

#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#ifndef DEVICE
#define DEVICE "feeder-4"
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

// One file of flash. save() replaces the whole or leaves the old: write a second file, then rename it. load() is false
// where there is none yet; what is there and cannot be read must end the program, so that nothing is fed.
class Store {
 public:
  virtual bool load(void *data, size_t size) = 0;
  virtual bool save(const void *data, size_t size) = 0;
};

Link &theLink();
Store &theStore();
bool clockMs(int64_t *now);             // UNIX time in ms; false: the clock is not set
void setClockMs(int64_t now);           // told by the service
void motorTurn(int32_t steps);          // returns when it has turned
bool weigh(int32_t *ug, int32_t *sdUg);  // mass of the hopper, and its standard deviation; false: no scale, no weight
void restartBoard();
void arrived(const char *topic, const char *payload, size_t size);

const int32_t GAIN_UG = 1000;  // per step, by your calibration

// ---- limits

const int64_t GRACE_MS = 600000, DAY_MS = 86400000, APART_MS = 72000000;
const int32_t CEILING_UG = 5000000;  // a day's ceiling of the feeder's own, above every plan
const int32_t CHUNK = 20;            // steps between two looks at the network
const int MOST_KEPT = 40, MOST_MEALS = 100, MOST_DAYS = 12, MOST_SLOTS = 8, MOST_IDS = 200, MOST_COMMANDS = 100;
const int MOST_SEEN = 8, NAME = 65, INBOX = 4;
const size_t DOWN_BYTES = 8192;

// ---- what is on flash

struct Dose {
  uint32_t seq;
  char boot[17], meal[NAME], cause[9], outcome[12];
  int64_t atMs, uptimeMs;  // atMs -1: no clock
  int32_t targetUg, steps, beforeUg, afterUg, sdUg;
  bool weighed;
};

struct Day { int64_t startMs; int32_t capUg; };
struct Meal { char id[NAME]; int64_t atMs; int32_t targetUg; };

struct Plan {
  int64_t version;  // 0: no plan
  int dayCount, mealCount, slotCount;
  Day days[MOST_DAYS];
  Meal meals[MOST_MEALS];
  int32_t fallbackUg, slots[MOST_SLOTS];
  int64_t untilMs;
};

struct Hold { int64_t version; bool held, hopperOff; int32_t thousandths; };
struct Command { uint64_t id; int64_t endMs; };

struct State {
  char journal[17], installation[NAME], seen[MOST_SEEN][NAME], stopped[20];
  uint32_t seq;
  int doseCount, fedCount, commandCount, overs;
  Dose doses[MOST_KEPT];
  Dose open;  // seq 0: none
  uint64_t fed[MOST_IDS];  // hashes of meal ids; a hash that meets another costs a meal, never a second one
  Command commands[MOST_COMMANDS];
  Plan plan;
  Hold hold;
  int64_t dayMs, begunMs;
  int32_t givenUg, massUg;
  bool massKnown, stopEnds;
};

static State state;
static Plan newPlan;
static char boot[17];
static bool restarting;
static bool told[MOST_KEPT];
struct Waiting { char tail[12]; size_t size; char payload[DOWN_BYTES + 1]; };
static Waiting inbox[INBOX];
static int inboxCount;
static char out[1400];
const char *const PREFIX = "tareline/" DEVICE "/";

static bool keep() { return theStore().save(&state, sizeof state); }

static void copy(char *to, size_t size, const char *from) {
  strncpy(to, from, size - 1);
  to[size - 1] = 0;
}

static uint64_t hashOf(const char *word) {  // FNV-1a
  uint64_t hash = 14695981039346656037ULL;
  for (; *word; word++) hash = (hash ^ (uint8_t)*word) * 1099511628211ULL;
  return hash;
}

static int64_t uptimeMs() {
  static uint32_t last = millis();
  static int64_t sum = 0;
  uint32_t now = millis();
  sum += (uint32_t)(now - last);
  last = now;
  return sum;
}

// ---- JSON, read in place and without recursion: depth costs nothing

struct Json {
  const char *at, *end;
  bool is(char c) const { return at < end && *at == c; }
};

static void skipSpace(Json &j) {
  while (j.at < j.end && (*j.at == ' ' || *j.at == '\t' || *j.at == '\n' || *j.at == '\r')) j.at++;
}

static bool takeString(Json &j, Json &found) {  // without its quotes
  if (!j.is('"')) return false;
  found.at = ++j.at;
  for (; j.at < j.end && *j.at != '"'; j.at++) {
    if (*j.at == '\\') j.at++;
  }
  if (j.at >= j.end) return false;
  found.end = j.at++;
  return true;
}

static bool takeValue(Json &j, Json &found) {  // the next value, whatever it holds
  skipSpace(j);
  found.at = j.at;
  int depth = 0;
  while (j.at < j.end) {
    Json ignored;
    if (*j.at == '"') {
      if (!takeString(j, ignored)) return false;
    } else if (*j.at == '{' || *j.at == '[') {
      depth++, j.at++;
    } else if (*j.at == '}' || *j.at == ']') {
      if (depth == 0) break;
      depth--, j.at++;
    } else if (depth == 0 && (*j.at == ',' || *j.at == ' ' || *j.at == '\n' || *j.at == '\r' || *j.at == '\t')) {
      break;
    } else {
      j.at++;
      continue;
    }
    if (depth == 0) break;
  }
  found.end = j.at;
  return depth == 0 && found.end > found.at;
}

static bool get(Json object, const char *key, Json &found) {
  skipSpace(object);
  if (!object.is('{')) return false;
  object.at++;
  for (;;) {
    Json name, value;
    skipSpace(object);
    if (!takeString(object, name)) return false;
    skipSpace(object);
    if (!object.is(':')) return false;
    object.at++;
    if (!takeValue(object, value)) return false;
    if ((size_t)(name.end - name.at) == strlen(key) && memcmp(name.at, key, strlen(key)) == 0) {
      found = value;
      return true;
    }
    skipSpace(object);
    if (!object.is(',')) return false;
    object.at++;
  }
}

static bool next(Json &list, Json &item) {  // list: after its '['; false at its end
  skipSpace(list);
  if (list.is(',')) list.at++;
  skipSpace(list);
  return !list.is(']') && takeValue(list, item);
}

static bool literal(const Json &value, const char *word) {
  return (size_t)(value.end - value.at) == strlen(word) && memcmp(value.at, word, strlen(word)) == 0;
}

static bool toWhole(const Json &value, int64_t &number) {
  number = 0;
  if (value.at == value.end || value.end - value.at > 16) return false;
  for (const char *c = value.at; c < value.end; c++) {
    if (*c < '0' || *c > '9') return false;
    number = number * 10 + (*c - '0');
  }
  return number < (1LL << 53);
}

static bool toNumber(const Json &value, double most, double &number) {
  char text[32], *after;
  size_t size = value.end - value.at;
  if (size == 0 || size >= sizeof text || !strchr("0123456789", *value.at)) return false;
  memcpy(text, value.at, size);
  text[size] = 0;
  number = strtod(text, &after);
  return *after == 0 && number >= 0 && number <= most;
}

static bool toUg(const Json &value, int32_t &ug) {
  double grams;
  if (!toNumber(value, 1000, grams)) return false;
  ug = (int32_t)(grams * 1e6 + 0.5);
  return true;
}

static bool toName(const Json &value, char *name) {
  Json inner, rest = value;
  if (!takeString(rest, inner)) return false;
  size_t size = inner.end - inner.at;
  if (size < 1 || size >= (size_t)NAME || memchr(inner.at, '\\', size)) return false;
  memcpy(name, inner.at, size);
  name[size] = 0;
  return true;
}

static bool wholeOf(Json object, const char *key, int64_t &number) {
  Json value;
  return get(object, key, value) && toWhole(value, number);
}

static bool ugOf(Json object, const char *key, int32_t &ug) {
  Json value;
  return get(object, key, value) && toUg(value, ug);
}

static bool nameOf(Json object, const char *key, char *name) {
  Json value;
  return get(object, key, value) && toName(value, name);
}

static bool isNull(Json object, const char *key) {
  Json value;
  return !get(object, key, value) || literal(value, "null");
}

// ---- what it says

static bool say(const char *tail, const char *payload, bool retained = false) {
  char topic[128];
  snprintf(topic, sizeof topic, "%sup/%s", PREFIX, tail);
  return theLink().connected() && theLink().publish(topic, payload, retained);
}

static const char *timeOf(int64_t atMs) {
  static char text[24];
  if (atMs < 0) return "null";
  snprintf(text, sizeof text, "%lld", (long long)atMs);
  return text;
}

static int64_t nowOrNone() {
  int64_t now;
  return clockMs(&now) ? now : -1;
}

static void fault(const char *code, const char *detail) {
  snprintf(out, sizeof out, "{\"boot\":\"%s\",\"at_ms\":%s,\"uptime_ms\":%lld,\"code\":\"%s\",\"detail\":\"%s\"}", boot,
           timeOf(nowOrNone()), (long long)uptimeMs(), code, detail);
  say("fault", out);
}

static void sayHello() {
  unsigned long from = state.doseCount ? state.doses[0].seq : state.seq + 1;
  snprintf(out, sizeof out,
           "{\"boot\":\"%s\",\"uptime_ms\":%lld,\"board\":\"example-%s\",\"journal\":\"%s\",\"kind\":\"feeder\","
           "\"firmware\":\"example-sketch\",\"clock\":\"%s\",\"journal_from\":%lu,\"journal_to\":%lu,"
           "\"gain_g_per_step\":%.6f,\"calibration\":null}",
           boot, (long long)uptimeMs(), DEVICE, state.journal, nowOrNone() < 0 ? "unset" : "set", from,
           (unsigned long)state.seq, GAIN_UG / 1e6);
  say("hello", out, true);
}

static void sayApplied() {
  snprintf(out, sizeof out, "{\"boot\":\"%s\",\"plan_version\":%lld,\"hold_version\":%lld}", boot,
           (long long)state.plan.version, (long long)state.hold.version);
  say("applied", out, true);
}

static bool sayDose(const Dose &dose) {
  char meal[NAME + 2] = "null", weights[96] = "\"before_g\":null,\"after_g\":null,\"sd_g\":null";
  if (dose.meal[0]) snprintf(meal, sizeof meal, "\"%s\"", dose.meal);
  if (dose.weighed) {
    snprintf(weights, sizeof weights, "\"before_g\":%.6f,\"after_g\":%.6f,\"sd_g\":%.6f", dose.beforeUg / 1e6,
             dose.afterUg / 1e6, dose.sdUg / 1e6);
  }
  snprintf(out, sizeof out,
           "{\"journal\":\"%s\",\"seq\":%lu,\"boot\":\"%s\",\"at_ms\":%s,\"uptime_ms\":%lld,\"meal\":%s,"
           "\"cause\":\"%s\",\"target_g\":%.6f,\"steps\":%ld,%s,\"temperature_c\":null,\"outcome\":\"%s\"}",
           state.journal, (unsigned long)dose.seq, dose.boot, timeOf(dose.atMs), (long long)dose.uptimeMs, meal,
           dose.cause, dose.targetUg / 1e6, (long)dose.steps, weights, dose.outcome);
  return say("dose", out);
}

static void reply(const char *id, bool ok, const char *detail) {
  snprintf(out, sizeof out, "{\"id\":\"%s\",\"ok\":%s,\"detail\":\"%s\",\"result\":null}", id, ok ? "true" : "false", detail);
  say("reply", out);
}

// ---- holds and stops

static bool isHeld() { return state.stopped[0] || state.hold.held; }

static void stop(const char *code, const char *why) {  // until a hold that comes after this is released
  if (state.stopped[0]) return;
  copy(state.stopped, sizeof state.stopped, code);
  state.stopEnds = false;
  keep();
  fault(code, why);
}

// A lower version is ignored, but for a hold; two installations that take turns stop feeding.
static bool mayTake(const char *installation, int64_t fresh, int64_t old, bool holds) {
  if (strcmp(installation, state.installation) == 0) return fresh > old || holds;
  bool known = false;
  for (int i = 0; i < MOST_SEEN; i++) known = known || strcmp(state.seen[i], installation) == 0;
  if (state.installation[0]) {
    fault("other_installation", "plan or hold of another one");
    if (known) stop("two_installations", "they take turns");
  }
  if (!known) {
    memmove(state.seen[0], state.seen[1], sizeof state.seen - sizeof state.seen[0]);
    copy(state.seen[MOST_SEEN - 1], NAME, installation);
  }
  copy(state.installation, NAME, installation);
  return true;
}

static bool takeHold(Json body) {
  char installation[NAME];
  Json held, value;
  Hold fresh = {0, false, false, 1000};
  double share = 1;
  if (!get(body, "held", held) || !(literal(held, "true") || literal(held, "false"))) return false;
  if (!wholeOf(body, "version", fresh.version) || !nameOf(body, "installation", installation)) return false;
  if (!isNull(body, "reduce_to") && !(get(body, "reduce_to", value) && toNumber(value, 1, share))) return false;
  fresh.held = literal(held, "true");
  fresh.hopperOff = get(body, "hopper_off", value) && literal(value, "true");
  fresh.thousandths = (int32_t)(share * 1000);
  if (!mayTake(installation, fresh.version, state.hold.version, fresh.held)) return true;
  if (fresh.held) {
    if (fresh.version < state.hold.version) fresh.version = state.hold.version;
    if (!state.hold.held) state.stopEnds = state.stopped[0] != 0;
  } else if (state.stopEnds) {  // a hold that began after the stop is released: a person has looked
    state.stopped[0] = 0;
    state.stopEnds = false;
    state.overs = 0;
    memset(state.seen, 0, sizeof state.seen);
    copy(state.seen[MOST_SEEN - 1], NAME, state.installation);
  }
  state.hold = fresh;
  keep();
  sayApplied();
  return true;
}

// ---- feeding

// What the day's cap leaves. Begins a new day where one has begun and 20 hours have gone by.
static int32_t roomUg() {
  if (!state.plan.version || !state.plan.dayCount) return 0;
  int64_t now = nowOrNone(), dayMs = state.dayMs;
  int32_t capUg = state.plan.days[0].capUg;
  if (now >= 0) {
    for (int i = 0; i < state.plan.dayCount; i++) {
      if (state.plan.days[i].startMs <= now) dayMs = state.plan.days[i].startMs, capUg = state.plan.days[i].capUg;
    }
    int64_t last = state.plan.days[state.plan.dayCount - 1].startMs;
    if (dayMs == last && last < now) dayMs += (now - last) / DAY_MS * DAY_MS;  // beyond the listed days
    if (dayMs > state.dayMs && now - state.begunMs >= APART_MS) {
      state.dayMs = dayMs;
      state.begunMs = now;
      state.givenUg = 0;
    }
  }
  if (capUg > CEILING_UG) capUg = CEILING_UG;
  return capUg > state.givenUg ? capUg - state.givenUg : 0;
}

static void count(int64_t ug) {
  int64_t sum = state.givenUg + ug;
  state.givenUg = sum > INT32_MAX ? INT32_MAX : (int32_t)sum;
}

static void lookForLoss(bool weighed, int32_t ug, int32_t sdUg) {  // food that left without steps
  if (weighed && state.massKnown && !state.hold.hopperOff) {
    int32_t lostUg = state.massUg - ug - 6 * sdUg;
    if (lostUg > 0) {
      count(lostUg);
      stop("stopped_loss", "food left without a step");
    }
  }
  state.massKnown = weighed;
  state.massUg = ug;
}

static int32_t turn(int32_t steps) {  // in chunks, and look for a hold after each; returns the steps made
  int32_t made = 0;
  while (made < steps && !isHeld()) {
    int32_t chunk = steps - made < CHUNK ? steps - made : CHUNK;
    motorTurn(chunk);
    made += chunk;
    theLink().loop();
  }
  return made;
}

// One dose: onto flash, then the motor, then its end onto flash, then onto the wire. Returns how it went.
static const char *dose(const char *meal, const char *cause, int64_t askedUg) {
  static Dose fresh;
  if (state.doseCount >= MOST_KEPT) return "too many doses wait for the service";
  int32_t beforeUg = 0, afterUg = 0, beforeSd = 0, afterSd = 0;
  bool before = weigh(&beforeUg, &beforeSd);
  lookForLoss(before, beforeUg, beforeSd);
  if (state.hold.version) askedUg = askedUg * state.hold.thousandths / 1000;
  int32_t room = roomUg();
  bool held = isHeld(), capped = askedUg > room;
  int32_t targetUg = (int32_t)(capped ? room : askedUg);
  int32_t steps = held ? 0 : targetUg / GAIN_UG;
  memset(&fresh, 0, sizeof fresh);
  fresh.seq = ++state.seq;
  copy(fresh.boot, sizeof fresh.boot, boot);
  copy(fresh.meal, sizeof fresh.meal, meal);
  copy(fresh.cause, sizeof fresh.cause, cause);
  fresh.atMs = nowOrNone();
  fresh.uptimeMs = uptimeMs();
  fresh.targetUg = held ? (int32_t)askedUg : targetUg;
  fresh.steps = steps;
  copy(fresh.outcome, sizeof fresh.outcome, steps ? "interrupted" : held ? "held" : "capped");
  if (steps) {
    count(targetUg);
    state.open = fresh;
    state.massKnown = false;
    if (!keep()) {  // flash that refuses the intent means no dose
      state.open.seq = 0;
      fault("flash_failed", "no dose without its intent on flash");
      return "flash failed";
    }
    fresh.steps = turn(steps);
    if (fresh.steps == steps) copy(fresh.outcome, sizeof fresh.outcome, capped ? "capped" : "ok");
    bool after = weigh(&afterUg, &afterSd);
    if (before && after) {
      double sd = sqrt((double)beforeSd * beforeSd + (double)afterSd * afterSd);
      fresh.weighed = true;
      fresh.beforeUg = beforeUg;
      fresh.afterUg = afterUg;
      fresh.sdUg = (int32_t)sd;
      int32_t sureUg = beforeUg - afterUg - (int32_t)(4 * sd);  // what left beyond doubt counts, if it is the largest
      if (sureUg > targetUg) count(sureUg - targetUg);
      bool over = 4LL * sureUg > 5LL * steps * GAIN_UG;
      state.overs = over ? state.overs + 1 : 0;
      if (over) copy(fresh.outcome, sizeof fresh.outcome, "over");
    }
    state.massKnown = after;
    state.massUg = afterUg;
    state.open.seq = 0;
  }
  told[state.doseCount] = false;
  state.doses[state.doseCount++] = fresh;
  keep();
  if (state.overs >= 2) stop("stopped_over", "two doses in a row gave far too much");
  return fresh.outcome;
}

static void feedIfDue(const char *id, int64_t atMs, int64_t now, const char *cause, int32_t targetUg) {
  if (now < atMs || now >= atMs + GRACE_MS) return;
  uint64_t hash = hashOf(id);
  for (int i = 0; i < state.fedCount; i++) {
    if (state.fed[i] == hash) return;
  }
  if (state.fedCount == MOST_IDS) memmove(state.fed, state.fed + 1, sizeof state.fed[0] * --state.fedCount);
  state.fed[state.fedCount++] = hash;  // goes onto flash together with the dose's intent
  dose(id, cause, targetUg);
}

static void due() {
  int64_t now = nowOrNone();
  const Plan &plan = state.plan;
  if (now < 0 || !plan.version || !plan.dayCount) return;
  // A plan's meals are those of seven days: a day among these that has none is a day of fasting, by intention.
  int64_t lastMs = plan.days[0].startMs + 7 * DAY_MS;
  for (int i = 0; i < plan.mealCount; i++) {
    if (plan.meals[i].atMs > lastMs) lastMs = plan.meals[i].atMs;
    feedIfDue(plan.meals[i].id, plan.meals[i].atMs, now, "plan", plan.meals[i].targetUg);
  }
  for (int i = 0; i < plan.slotCount && now > lastMs && now < plan.untilMs; i++) {
    int64_t atMs = now / DAY_MS * DAY_MS + plan.slots[i] * 1000LL;
    char id[NAME];
    snprintf(id, sizeof id, "fallback-%lld", (long long)(atMs / 1000));
    if (atMs > lastMs) feedIfDue(id, atMs, now, "fallback", plan.fallbackUg / plan.slotCount);
  }
}

// ---- what it hears

static bool takePlan(Json body) {
  char installation[NAME];
  Json list, item;
  int64_t number;
  Plan &fresh = newPlan;
  memset(&fresh, 0, sizeof fresh);
  if (!nameOf(body, "installation", installation) || !wholeOf(body, "version", fresh.version)) return false;
  if (!get(body, "days", list) || !list.is('[')) return false;
  for (list.at++; next(list, item); fresh.dayCount++) {
    if (fresh.dayCount == MOST_DAYS) return false;
    Day &day = fresh.days[fresh.dayCount];
    if (!wholeOf(item, "start_ms", day.startMs) || !ugOf(item, "cap_g", day.capUg)) return false;
  }
  if (!list.is(']') || !get(body, "meals", list) || !list.is('[')) return false;
  for (list.at++; next(list, item); fresh.mealCount++) {
    if (fresh.mealCount == MOST_MEALS) return false;
    Meal &meal = fresh.meals[fresh.mealCount];
    if (!nameOf(item, "id", meal.id) || !wholeOf(item, "at_ms", meal.atMs)) return false;
    if (!ugOf(item, "target_g", meal.targetUg)) return false;
  }
  if (!list.is(']')) return false;
  Json fallback;
  if (!isNull(body, "fallback") && get(body, "fallback", fallback)) {
    if (!ugOf(fallback, "daily_g", fresh.fallbackUg) || !wholeOf(fallback, "until_ms", fresh.untilMs)) return false;
    if (!get(fallback, "at_utc_s", list) || !list.is('[')) return false;
    for (list.at++; next(list, item); fresh.slots[fresh.slotCount++] = (int32_t)number) {
      if (fresh.slotCount == MOST_SLOTS || !toWhole(item, number) || number >= 86400) return false;
    }
    if (!list.is(']')) return false;
  }
  if (mayTake(installation, fresh.version, state.plan.version, false)) {
    state.plan = fresh;
    keep();
    sayApplied();
  }
  return true;
}

static bool takeReceived(Json body) {
  char journal[NAME];
  int64_t seq;
  if (!nameOf(body, "journal", journal) || !wholeOf(body, "seq", seq)) return false;
  // A number from the future must not make it forget doses to come.
  if (strcmp(journal, state.journal) != 0 || seq > state.seq) return true;
  int gone = 0;
  while (gone < state.doseCount && state.doses[gone].seq <= seq) gone++;
  state.doseCount -= gone;
  memmove(state.doses, state.doses + gone, sizeof state.doses[0] * state.doseCount);
  memmove(told, told + gone, sizeof told[0] * state.doseCount);
  keep();
  return true;
}

static bool takeTime(Json body) {
  char echoed[NAME];
  int64_t now, echoedMs;
  if (!nameOf(body, "boot", echoed) || !wholeOf(body, "now_ms", now) || !wholeOf(body, "uptime_ms", echoedMs)) return false;
  int64_t staleMs = uptimeMs() - echoedMs;
  if (nowOrNone() < 0 && strcmp(echoed, boot) == 0 && staleMs >= 0 && staleMs <= 5000) {
    setClockMs(now);
    sayHello();
  }
  return true;
}

static bool mayAct(const char *id, int64_t endMs) {  // an id acts once; with too many of them no command is obeyed
  int64_t now = nowOrNone();
  uint64_t hash = hashOf(id);
  for (int i = 0; i < state.commandCount;) {
    if (state.commands[i].endMs >= 0 && state.commands[i].endMs < now) {
      state.commands[i] = state.commands[--state.commandCount];
    } else if (state.commands[i].id == hash) {
      return false;
    } else {
      i++;
    }
  }
  if (state.commandCount == MOST_COMMANDS) return false;
  state.commands[state.commandCount++] = {hash, endMs};
  return true;
}

static bool takeCommand(Json body) {
  char id[NAME], what[NAME] = "";
  Json args;
  int64_t endMs = -1, from = 0, to = 0;
  int32_t targetUg = 0;
  if (!nameOf(body, "id", id) || !nameOf(body, "do", what)) return false;
  if (!isNull(body, "expires_at_ms") && !wholeOf(body, "expires_at_ms", endMs)) return false;
  bool hasArgs = get(body, "args", args), dispense = strcmp(what, "dispense") == 0;
  if (strcmp(what, "resend") == 0) {
    if (!hasArgs || !wholeOf(args, "from", from) || !wholeOf(args, "to", to)) return false;
    for (int i = 0; i < state.doseCount; i++) {
      if (state.doses[i].seq >= from && state.doses[i].seq <= to) told[i] = false;
    }
    reply(id, true, "");
    return true;
  }
  if (dispense && !(hasArgs && ugOf(args, "target_g", targetUg))) return false;
  int64_t now = nowOrNone();
  if (endMs >= 0 && (now < 0 || now >= endMs)) {
    reply(id, false, "expired, or the clock is not set");
  } else if (!mayAct(id, endMs)) {
    reply(id, false, "was obeyed before, or too many ids are remembered");
  } else if (dispense) {
    const char *how = dose("", "command", targetUg);  // its id goes onto flash together with the intent
    reply(id, strcmp(how, "ok") == 0, how);
  } else if (strcmp(what, "restart") == 0) {
    restarting = keep();
    reply(id, restarting, "");
  } else {
    reply(id, false, "unknown");
  }
  return true;
}

static bool take(const char *tail, const char *payload, size_t size) {
  Json body = {payload, payload + size};
  skipSpace(body);
  if (!body.is('{')) return false;
  if (strcmp(tail, "plan") == 0) return takePlan(body);
  if (strcmp(tail, "hold") == 0) return takeHold(body);
  if (strcmp(tail, "received") == 0) return takeReceived(body);
  if (strcmp(tail, "time") == 0) return takeTime(body);
  if (strcmp(tail, "command") == 0) return takeCommand(body);
  return true;
}

// Called by the link. A hold is obeyed at once, even in the middle of a dose; everything else waits for the loop.
void arrived(const char *topic, const char *payload, size_t size) {
  const char *tail = topic + strlen(PREFIX) + strlen("down/");
  if (payload == nullptr || size > DOWN_BYTES) {
    fault("message_refused", "larger than 8 KiB");
    return;
  }
  Json held, body = {payload, payload + size};
  if (strcmp(tail, "hold") == 0 && get(body, "held", held) && literal(held, "true")) {
    for (int i = 0; i < inboxCount; i++) {
      if (strcmp(inbox[i].tail, "hold") == 0) inbox[i].tail[0] = 0;  // an older release
    }
    if (!takeHold(body)) fault("message_refused", tail);
  } else if (inboxCount == INBOX || strlen(tail) >= sizeof inbox[0].tail) {
    fault("message_refused", "too many at once, or an unknown topic");
  } else {
    Waiting &one = inbox[inboxCount++];
    copy(one.tail, sizeof one.tail, tail);
    memcpy(one.payload, payload, size);
    one.size = size;
  }
}

// ---- the one loop

static void connectIfNeeded() {
  static int64_t tryMs = 0;
  char topic[128];
  if (theLink().connected()) return;
  if (uptimeMs() < tryMs) return;
  tryMs = uptimeMs() + 1000;
  snprintf(topic, sizeof topic, "%sup/status", PREFIX);
  if (!theLink().connect(PREFIX, topic, "{\"online\":false}")) return;
  snprintf(topic, sizeof topic, "%sdown/#", PREFIX);
  theLink().subscribe(topic);
  say("status", "{\"online\":true}", true);
  sayHello();
  sayApplied();
  memset(told, 0, sizeof told);
  if (state.stopped[0]) fault(state.stopped, "still in force");
}

static void randomName(char *name) {
  snprintf(name, 17, "%08lx%08lx", (unsigned long)random(0x7fffffff), (unsigned long)random(0x7fffffff));
}

void setup() {
  uptimeMs();
  randomName(boot);
  if (!theStore().load(&state, sizeof state)) {
    memset(&state, 0, sizeof state);
    randomName(state.journal);
    keep();
  }
  if (state.open.seq) {  // power went in the middle of a dose: its end is unknown, and the cap counts all of it
    state.doses[state.doseCount++] = state.open;
    state.open.seq = 0;
    keep();
  }
}

void loop() {
  connectIfNeeded();
  if (inboxCount < INBOX) theLink().loop();
  for (int i = 0; i < inboxCount; i++) {  // a message that comes during a dose is put behind these
    if (inbox[i].tail[0] && !take(inbox[i].tail, inbox[i].payload, inbox[i].size)) fault("message_refused", inbox[i].tail);
  }
  inboxCount = 0;
  due();
  for (int i = 0; i < state.doseCount && theLink().connected(); i++) {
    if (!told[i]) told[i] = sayDose(state.doses[i]);
  }
  if (restarting) restartBoard();
}
