// Runs an example sketch on a computer: real sockets to a real broker, a file as flash, a simulated hopper.
// Usage: PROGRAM HOST PORT FLASH_FILE [no-clock]. A kill is a power cut; a restart starts the program anew.

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <poll.h>
#include <sys/random.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#include <string>
#include <vector>

#include SKETCH

static char **arguments;
static bool clockIsSet;
static int64_t aheadMs;

static int64_t nanoseconds(clockid_t which) {
  struct timespec now;
  clock_gettime(which, &now);
  return now.tv_sec * 1000000000LL + now.tv_nsec;
}

uint32_t millis() { return (uint32_t)(nanoseconds(CLOCK_MONOTONIC) / 1000000); }

long random(long below) {
  uint32_t bits = 0;
  if (getrandom(&bits, sizeof bits, 0) != sizeof bits) abort();
  return (long)(bits % (uint32_t)below);
}

bool clockMs(int64_t *now) {
  *now = nanoseconds(CLOCK_REALTIME) / 1000000 + aheadMs;
  return clockIsSet;
}

void setClockMs(int64_t now) {
  aheadMs = now - nanoseconds(CLOCK_REALTIME) / 1000000;
  clockIsSet = true;
}

// ---- MQTT 3.1.1 over a socket

class SocketLink : public Link {
 public:
  bool connect(const char *clientId, const char *willTopic, const char *will) override {
    struct sockaddr_in address = {};
    address.sin_family = AF_INET;
    address.sin_port = htons((uint16_t)atoi(arguments[2]));
    inet_pton(AF_INET, arguments[1], &address.sin_addr);
    fd_ = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    buffer_.clear();
    if (::connect(fd_, (struct sockaddr *)&address, sizeof address) != 0) return drop();
    std::string body = text("MQTT") + std::string("\x04\x2c\x00\x1e", 4);  // last will: QoS 1, retained; 30 s
    send(0x10, body + text(clientId) + text(willTopic) + text(will));
    struct pollfd waiting = {fd_, POLLIN, 0};
    char answer[4];
    if (poll(&waiting, 1, 5000) != 1 || recv(fd_, answer, 4, MSG_WAITALL) != 4 || answer[3] != 0) return drop();
    return true;
  }

  bool connected() override { return fd_ >= 0; }
  bool subscribe(const char *topic) override { return send(0x82, number() + text(topic) + '\1'); }

  bool publish(const char *topic, const char *payload, bool retained) override {
    return send(retained ? 0x33 : 0x32, text(topic) + number() + payload);
  }

  void loop() override {
    if (fd_ < 0) {
      usleep(20000);
      return;
    }
    if (nanoseconds(CLOCK_MONOTONIC) - said_ > 15000000000LL) send(0xC0, "");
    struct pollfd waiting = {fd_, POLLIN, 0};
    // One message for each call, so that the sketch's loop comes round between them.
    if (!whole() && poll(&waiting, 1, 10) == 1) {
      char read[4096];
      ssize_t size = recv(fd_, read, sizeof read, 0);
      if (size <= 0) {
        drop();
        return;
      }
      buffer_.append(read, (size_t)size);
    }
    if (whole()) handle();
  }

 private:
  int fd_ = -1;
  uint16_t number_ = 0;
  int64_t said_ = 0;
  size_t at_ = 0, size_ = 0;
  std::string buffer_;

  bool drop() {
    close(fd_);
    fd_ = -1;
    return false;
  }

  static std::string text(const std::string &raw) {
    return std::string({(char)(raw.size() >> 8), (char)(raw.size() & 0xff)}) + raw;
  }

  std::string number() {
    number_ = (uint16_t)(number_ == 65535 ? 1 : number_ + 1);
    return {(char)(number_ >> 8), (char)(number_ & 0xff)};
  }

  bool send(int kind, const std::string &body) {
    std::string data(1, (char)kind);
    size_t left = body.size();
    do {
      data += (char)((left & 0x7f) | (left > 0x7f ? 0x80 : 0));
      left >>= 7;
    } while (left);
    data += body;
    said_ = nanoseconds(CLOCK_MONOTONIC);
    if (fd_ >= 0 && ::send(fd_, data.data(), data.size(), MSG_NOSIGNAL) == (ssize_t)data.size()) return true;
    if (fd_ >= 0) drop();
    return false;
  }

  bool whole() {
    size_ = 0;
    for (at_ = 1; at_ < buffer_.size() && at_ < 5; at_++) {
      size_ |= (size_t)(buffer_[at_] & 0x7f) << (7 * (at_ - 1));
      if (!(buffer_[at_] & 0x80)) {
        at_++;
        return buffer_.size() >= at_ + size_;
      }
    }
    return false;
  }

  void handle() {
    uint8_t kind = (uint8_t)buffer_[0];
    std::string body = buffer_.substr(at_, size_);
    buffer_.erase(0, at_ + size_);
    if ((kind & 0xf0) != 0x30) return;
    size_t end = 2 + (((uint8_t)body[0] << 8) | (uint8_t)body[1]);
    std::string topic = body.substr(2, end - 2), id = kind & 6 ? body.substr(end, 2) : "";
    std::string payload = body.substr(end + id.size());
    arrived(topic.c_str(), payload.size() > 8192 ? nullptr : payload.data(), payload.size());
    if (!id.empty()) send(0x40, id);
  }
};

Link &theLink() {
  static SocketLink link;
  return link;
}

void restartBoard() {
  for (int i = 0; i < 5; i++) theLink().loop();  // so that the last acknowledgement goes out
  execv("/proc/self/exe", arguments);
  abort();
}

#ifdef IS_FEEDER
// ---- flash, motor and scale

class FileStore : public Store {
 public:
  bool load(void *data, size_t size) override {
    int file = open(arguments[3], O_RDONLY);
    if (file < 0 && errno == ENOENT) return false;
    if (file < 0 || read(file, data, size) != (ssize_t)size) abort();
    close(file);
    return true;
  }

  bool save(const void *data, size_t size) override {
    std::string fresh = std::string(arguments[3]) + ".new";
    int file = open(fresh.c_str(), O_WRONLY | O_CREAT | O_TRUNC, 0600);
    bool done = file >= 0 && write(file, data, size) == (ssize_t)size && fsync(file) == 0;
    close(file);
    return done && rename(fresh.c_str(), arguments[3]) == 0;
  }
};

Store &theStore() {
  static FileStore store;
  return store;
}

static int32_t hopperUg = 60000000;

// GAIN_TIMES: the auger gives that many times what it should. CUT_ONCE: power goes at the first turn, and this file is
// made, so that it does not go again.
void motorTurn(int32_t steps) {
  const char *times = getenv("GAIN_TIMES"), *cut = getenv("CUT_ONCE");
  hopperUg -= steps * GAIN_UG * (times ? atoi(times) : 1);
  if (cut && access(cut, F_OK) != 0) {
    close(open(cut, O_CREAT | O_WRONLY, 0600));
    _exit(1);
  }
}

bool weigh(int32_t *ug, int32_t *sdUg) {
  *ug = hopperUg;
  *sdUg = 2000;
  return true;
}
#else
bool measure(double *celsius, double *siemensPerM, double *volts) {
  *celsius = 24.0;
  *siemensPerM = 0.0417;
  *volts = 0.97;
  return true;
}
#endif

int main(int count, char **words) {
  if (count < 4) {
    fprintf(stderr, "usage: %s HOST PORT FLASH_FILE [no-clock]\n", words[0]);
    return 2;
  }
  arguments = words;
  clockIsSet = count < 5;
  setup();
  for (;;) loop();
}
