#include "host/link/port_stream.h"

#include <arpa/inet.h>
#include <dirent.h>
#include <fcntl.h>
#include <fmt/format.h>
#include <grp.h>
#include <netdb.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <sys/file.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <termios.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <chrono>
#include <cmath>
#include <cstring>
#include <fstream>

namespace tenterhook::link {
namespace {

constexpr int kProcessesMax = 100000;  // looked at when a device is busy
constexpr int kDescriptorsMax = 4096;  // of one process

std::string words(int error_number) { return std::strerror(error_number); }

Error gone(const std::string& where) {
  return fixture_error(where, "the other end closed the connection",
                       "is the emulated fixture or the serial server still running? only one program may use it at a time");
}

// True when a descriptor of /proc/PID/fd is the device.
bool holds(const std::string& folder, dev_t device) {
  DIR* open_files = ::opendir(folder.c_str());
  if (open_files == nullptr) return false;
  bool found = false;
  for (int i = 0; i < kDescriptorsMax && !found; ++i) {
    const dirent* entry = ::readdir(open_files);
    if (entry == nullptr) break;
    struct stat what {};
    if (::stat((folder + "/" + entry->d_name).c_str(), &what) == 0 && S_ISCHR(what.st_mode) && what.st_rdev == device) {
      found = true;
    }
  }
  ::closedir(open_files);
  return found;
}

// "NAME (process 1234)" of another process that has the device open, or "another program".
std::string who_has(const std::string& path) {
  const std::string nobody = "another program";
  struct stat what {};
  if (::stat(path.c_str(), &what) != 0) return nobody;
  DIR* processes = ::opendir("/proc");
  if (processes == nullptr) return nobody;
  std::string answer = nobody;
  for (int i = 0; i < kProcessesMax; ++i) {
    const dirent* entry = ::readdir(processes);
    if (entry == nullptr) break;
    const std::string id = entry->d_name;
    if (id.find_first_not_of("0123456789") != std::string::npos || id == std::to_string(::getpid())) continue;
    if (!holds("/proc/" + id + "/fd", what.st_rdev)) continue;
    std::string name;
    std::ifstream("/proc/" + id + "/comm") >> name;
    answer = fmt::format("{} (process {})", name, id);
    break;
  }
  ::closedir(processes);
  return answer;
}

std::string group_of(const std::string& path) {
  struct stat what {};
  if (::stat(path.c_str(), &what) != 0) return "dialout";
  const group* entry = ::getgrgid(what.st_gid);
  return entry != nullptr ? entry->gr_name : std::to_string(what.st_gid);
}

class StreamPort final : public Port {
 public:
  StreamPort(int descriptor, std::string description) : descriptor_(descriptor), description_(std::move(description)) {
    const int flags = ::fcntl(descriptor_, F_GETFL);
    if (flags >= 0) ::fcntl(descriptor_, F_SETFL, flags | O_NONBLOCK);
    struct stat what {};
    socket_ = ::fstat(descriptor_, &what) == 0 && S_ISSOCK(what.st_mode);
  }
  ~StreamPort() override { ::close(descriptor_); }
  StreamPort(const StreamPort&) = delete;
  StreamPort& operator=(const StreamPort&) = delete;

  Result<std::size_t> read(std::span<std::uint8_t> into, Seconds patience) override {
    auto ready = wait_ready(descriptor_, POLLIN, patience, description_);
    if (!ready) return ready.error();
    if (!*ready) return std::size_t{0};
    const ssize_t n = ::read(descriptor_, into.data(), into.size());
    if (n > 0) return static_cast<std::size_t>(n);
    if (n < 0 && (errno == EAGAIN || errno == EINTR)) return std::size_t{0};
    return gone(description_);  // 0: end of stream; EIO: the pseudo-terminal's master closed
  }

  Status write(std::span<const std::uint8_t> bytes) override {
    const Seconds until = wall_clock() + kWritePatience;
    std::size_t done = 0;
    while (done < bytes.size()) {  // bounded: each turn writes or waits, until the time is up
      const ssize_t n = socket_ ? ::send(descriptor_, bytes.data() + done, bytes.size() - done, MSG_NOSIGNAL)
                                : ::write(descriptor_, bytes.data() + done, bytes.size() - done);
      if (n > 0) {
        done += static_cast<std::size_t>(n);
        continue;
      }
      if (n < 0 && errno != EAGAIN && errno != EINTR) return gone(description_);
      const Seconds left = until - wall_clock();
      if (left <= Seconds{0.0}) {
        return fixture_error(description_,
                             fmt::format("the other end took no bytes for {}", text(kWritePatience)),
                             "it hangs or is stopped: start it again");
      }
      auto ready = wait_ready(descriptor_, POLLOUT, left, description_);
      if (!ready) return ready.error();
    }
    return {};
  }

  Seconds now() override { return wall_clock(); }
  std::string describe() const override { return description_; }

 private:
  int descriptor_;
  std::string description_;
  bool socket_ = false;
};

// Connects without blocking for longer than kConnectPatience; returns 0 or an errno.
int connect_bounded(int descriptor, const sockaddr* address, socklen_t length) {
  ::fcntl(descriptor, F_SETFL, O_NONBLOCK);
  if (::connect(descriptor, address, length) == 0) return 0;
  if (errno != EINPROGRESS && errno != EAGAIN) return errno;
  auto ready = wait_ready(descriptor, POLLOUT, kConnectPatience, "");
  if (!ready || !*ready) return ETIMEDOUT;
  int outcome = 0;
  socklen_t size = sizeof outcome;
  if (::getsockopt(descriptor, SOL_SOCKET, SO_ERROR, &outcome, &size) != 0) return errno;
  return outcome;
}

Error no_server(const std::string& where, int error_number, const std::string& example) {
  if (error_number == ECONNREFUSED || error_number == ENOENT) {
    return fixture_error(where, "nobody listens there (" + words(error_number) + ")",
                         "start `tenterhook emulate BOARD --listen " + example + "` or the serial server first");
  }
  if (error_number == EACCES) {
    return fixture_error(where, "no permission to connect", "the socket belongs to another user: ask its owner, or start your own");
  }
  return fixture_error(where, "no connection: " + words(error_number), "check the address and that the machine is reachable");
}

}  // namespace

Seconds wall_clock() {
  const auto t = std::chrono::steady_clock::now().time_since_epoch();
  return Seconds{std::chrono::duration<double>(t).count()};
}

Error refused(const std::string& path, int error_number) {
  switch (error_number) {
    case EACCES:
    case EPERM: {
      const std::string group = group_of(path);
      return fixture_error(path, fmt::format("no permission to open it; it belongs to the group {}", group),
                           fmt::format("`sudo usermod -aG {} $USER`, log in again; or a udev rule with MODE=\"0666\" for this device", group));
    }
    case ENOENT:
    case ENODEV:
    case ENXIO:
      return fixture_error(path, "there is no such device", "plug the fixture in; `tenterhook fixture list` shows the serial ports of this machine");
    case EBUSY:
      return fixture_error(path, fmt::format("{} has it open", who_has(path)), "close that program; only one may talk to a fixture");
    case ENOTTY:
      return fixture_error(path, "it is not a serial port", "`tenterhook fixture list` shows the serial ports of this machine");
    default:
      return fixture_error(path, "it cannot be opened: " + words(error_number), "unplug the fixture and plug it in again");
  }
}

Status lock_device(int descriptor, const std::string& path) {
  if (::flock(descriptor, LOCK_EX | LOCK_NB) != 0) return refused(path, EBUSY);
  return {};
}

Result<bool> wait_ready(int descriptor, short events, Seconds patience, const std::string& where) {
  const Seconds until = wall_clock() + patience;
  Seconds left = patience;
  do {  // bounded by `until`: a signal only shortens the remaining wait
    pollfd asked{descriptor, events, 0};
    const int milliseconds = std::max(0, static_cast<int>(std::ceil(std::min(left.value, 3600.0) * 1e3)));
    const int n = ::poll(&asked, 1, milliseconds);
    if (n > 0) return true;  // hang-ups too: the read or write that follows says what happened
    if (n < 0 && errno != EINTR) return fixture_error(where, "waiting failed: " + words(errno));
    if (n == 0) return false;
    left = until - wall_clock();
  } while (left > Seconds{0.0});
  return false;
}

std::unique_ptr<Port> stream_port(int descriptor, const std::string& description) {
  return std::make_unique<StreamPort>(descriptor, description);
}

Result<std::unique_ptr<Port>> open_unix(const std::string& path) {
  const std::string where = "unix:" + path;
  sockaddr_un address{};
  address.sun_family = AF_UNIX;
  if (path.empty() || path.size() >= sizeof address.sun_path) {
    return input_error(where, fmt::format("the path of a socket has 1 to {} bytes, this one {}", sizeof address.sun_path - 1, path.size()));
  }
  std::memcpy(address.sun_path, path.c_str(), path.size() + 1);
  const int descriptor = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
  if (descriptor < 0) return fixture_error(where, "no socket: " + words(errno));
  const int failed = connect_bounded(descriptor, reinterpret_cast<const sockaddr*>(&address), sizeof address);
  if (failed != 0) {
    ::close(descriptor);
    return no_server(where, failed, where);
  }
  return stream_port(descriptor, where);
}

Result<std::unique_ptr<Port>> open_tcp(const std::string& where) {
  const std::string full = "tcp:" + where;
  const std::size_t colon = where.rfind(':');
  if (colon == std::string::npos || colon == 0 || colon + 1 == where.size()) {
    return input_error(full, "expected tcp:HOST:PORT", "for example tcp:localhost:4250");
  }
  std::string host = where.substr(0, colon);
  const std::string service = where.substr(colon + 1);
  if (host.size() > 2 && host.front() == '[' && host.back() == ']') host = host.substr(1, host.size() - 2);
  if (service.find_first_not_of("0123456789") != std::string::npos || service.size() > 5 || std::stoi(service) > 65535) {
    return input_error(full, "'" + service + "' is not a TCP port number", "for example tcp:localhost:4250");
  }
  addrinfo wanted{};
  wanted.ai_socktype = SOCK_STREAM;
  addrinfo* found = nullptr;
  const int lookup = ::getaddrinfo(host.c_str(), service.c_str(), &wanted, &found);
  if (lookup != 0) {
    return fixture_error(full, fmt::format("the host '{}' is not known: {}", host, ::gai_strerror(lookup)), "check the name, or give its address");
  }
  int failed = EADDRNOTAVAIL;
  std::unique_ptr<Port> port;
  int tries = 0;
  for (const addrinfo* a = found; a != nullptr && !port && tries < 4; a = a->ai_next, ++tries) {
    const int descriptor = ::socket(a->ai_family, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (descriptor < 0) continue;
    failed = connect_bounded(descriptor, a->ai_addr, a->ai_addrlen);
    if (failed != 0) {
      ::close(descriptor);
      continue;
    }
    const int yes = 1;  // frames are small and wanted at once
    ::setsockopt(descriptor, IPPROTO_TCP, TCP_NODELAY, &yes, sizeof yes);
    port = stream_port(descriptor, full);
  }
  ::freeaddrinfo(found);
  if (!port) return no_server(full, failed, "tcp:" + service);
  return port;
}

Result<std::unique_ptr<Port>> open_pseudo_terminal(const std::string& path) {
  // No controlling terminal: else a hang-up of the other end would kill this program.
  const int descriptor = ::open(path.c_str(), O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
  if (descriptor < 0) return refused(path, errno);
  if (Status locked = lock_device(descriptor, path); !locked) {
    ::close(descriptor);
    return locked.error();
  }
  termios settings{};
  if (::tcgetattr(descriptor, &settings) == 0) {
    ::cfmakeraw(&settings);  // else bytes are echoed and translated
    ::tcsetattr(descriptor, TCSANOW, &settings);
  }
  ::tcflush(descriptor, TCIFLUSH);  // what was left for an earlier user
  return stream_port(descriptor, path);
}

}  // namespace tenterhook::link
