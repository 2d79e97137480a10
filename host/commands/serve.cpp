#include "host/commands/serve.h"

#include <arpa/inet.h>
#include <fcntl.h>
#include <fmt/format.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <pty.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <termios.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <chrono>
#include <cstring>
#include <optional>
#include <utility>
#include <vector>

namespace tenterhook::commands {
namespace {

using emulated::Picoseconds;

constexpr double kPicosecondsPerSecond = 1e12;
constexpr Picoseconds kSlice = 200'000'000;  // 0.2 ms: how finely bytes are passed on
constexpr int kIdleMilliseconds = 1;         // a wait for bytes between two slices

// A descriptor that closes itself.
class Descriptor {
 public:
  explicit Descriptor(int number = -1) : number_(number) {}
  Descriptor(Descriptor&& other) noexcept : number_(std::exchange(other.number_, -1)) {}
  Descriptor& operator=(Descriptor&& other) noexcept {
    std::swap(number_, other.number_);
    return *this;
  }
  ~Descriptor() {
    if (number_ >= 0) ::close(number_);
  }
  int number() const { return number_; }
  bool open() const { return number_ >= 0; }

 private:
  int number_;
};

// Where clients come from: a listening socket, or the one line of a pseudo-terminal.
struct Place {
  Descriptor listener;         // sockets only
  Descriptor line;             // the client, or the pseudo-terminal's master
  Descriptor slave;            // pseudo-terminal: held open, so that settings survive and no hang-up comes
  std::string address;         // for --fixture
  std::string remove_at_end;   // the socket's file
  Place() = default;
  Place(Place&&) = default;
  Place& operator=(Place&&) = default;
  ~Place() {
    if (!remove_at_end.empty()) ::unlink(remove_at_end.c_str());
  }
};

Error refused(const std::string& listen, const std::string& what) {
  return fixture_error(listen, fmt::format("cannot listen: {} ({})", what, std::strerror(errno)), "choose another address");
}

Result<Place> on_terminal() {
  Place place;
  int master = -1, slave = -1;
  std::array<char, 128> name{};
  if (::openpty(&master, &slave, name.data(), nullptr, nullptr) != 0) return refused("pty", "no pseudo-terminal");
  place.line = Descriptor(master);
  place.slave = Descriptor(slave);
  ::fcntl(master, F_SETFD, FD_CLOEXEC);
  ::fcntl(slave, F_SETFD, FD_CLOEXEC);
  ::fcntl(master, F_SETFL, O_NONBLOCK);
  termios settings{};
  ::tcgetattr(slave, &settings);
  ::cfmakeraw(&settings);  // before any byte is written: else it would be echoed
  if (::tcsetattr(slave, TCSANOW, &settings) != 0) return refused("pty", "the terminal does not become raw");
  place.address = name.data();
  return place;
}

// True when somebody serves the socket at this address.
bool served(const sockaddr_un& address) {
  const Descriptor probe(::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0));
  return probe.open() && ::connect(probe.number(), reinterpret_cast<const sockaddr*>(&address), sizeof address) == 0;
}

Result<Place> on_unix(const std::string& listen) {
  const std::string path = listen.substr(5);
  sockaddr_un address{};
  address.sun_family = AF_UNIX;
  if (path.empty() || path.size() >= sizeof address.sun_path) {
    return input_error(listen, fmt::format("the path of a socket has 1 to {} bytes", sizeof address.sun_path - 1));
  }
  path.copy(address.sun_path, path.size());
  struct stat what {};
  if (::lstat(path.c_str(), &what) == 0) {
    if (!S_ISSOCK(what.st_mode)) return input_error(listen, "there is a file of that name already", "choose another path");
    if (served(address)) return fixture_error(listen, "another program listens there already", "stop it, or choose another path");
    ::unlink(path.c_str());  // left over from a server that was killed
  }
  Place place;
  place.listener = Descriptor(::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0));
  const int number = place.listener.number();
  if (number < 0 || ::bind(number, reinterpret_cast<const sockaddr*>(&address), sizeof address) != 0) return refused(listen, path);
  place.remove_at_end = path;
  if (::listen(number, 1) != 0) return refused(listen, path);
  place.address = listen;
  return place;
}

Result<Place> on_tcp(const std::string& listen) {
  const std::string digits = listen.substr(4);
  if (digits.empty() || digits.size() > 5 || digits.find_first_not_of("0123456789") != std::string::npos || std::stoi(digits) > 65535) {
    return input_error(listen, "expected tcp:PORT with a number from 0 to 65535", "for example tcp:4250");
  }
  sockaddr_in address{};
  address.sin_family = AF_INET;
  address.sin_port = htons(static_cast<std::uint16_t>(std::stoi(digits)));
  address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);  // this machine only: the line has no password
  Place place;
  place.listener = Descriptor(::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0));
  const int number = place.listener.number();
  const int yes = 1;
  ::setsockopt(number, SOL_SOCKET, SO_REUSEADDR, &yes, sizeof yes);
  socklen_t length = sizeof address;
  if (number < 0 || ::bind(number, reinterpret_cast<const sockaddr*>(&address), length) != 0 || ::listen(number, 1) != 0) {
    return refused(listen, "port " + digits);
  }
  ::getsockname(number, reinterpret_cast<sockaddr*>(&address), &length);
  place.address = fmt::format("tcp:127.0.0.1:{}", ntohs(address.sin_port));
  return place;
}

Result<Place> open_place(const std::string& listen) {
  if (listen == "pty") return on_terminal();
  if (listen.rfind("unix:", 0) == 0) return on_unix(listen);
  if (listen.rfind("tcp:", 0) == 0) return on_tcp(listen);
  return input_error(listen, "expected pty, unix:PATH or tcp:PORT");
}

// Lets the controller live until `target`, passing on what it says as it says it.
void advance(emulated::Controller& controller, Picoseconds target, Place& place) {
  while (controller.now() < target) {  // bounded: every turn advances to the target or past an output
    const Picoseconds before = controller.now();
    controller.run_until(target, true);
    const std::vector<std::uint8_t> said = controller.take_output();
    if (said.empty() && controller.now() == before) break;
    if (said.empty() || !place.line.open()) continue;
    // What the client does not take is lost, as on a wire.
    const ssize_t taken = place.listener.open() ? ::send(place.line.number(), said.data(), said.size(), MSG_NOSIGNAL | MSG_DONTWAIT)
                                                : ::write(place.line.number(), said.data(), said.size());
    static_cast<void>(taken);
  }
}

void welcome(Place& place) {
  Descriptor client(::accept4(place.listener.number(), nullptr, nullptr, SOCK_CLOEXEC | SOCK_NONBLOCK));
  if (!client.open() || place.line.open()) return;  // one at a time: a second one is hung up on
  const int yes = 1;
  ::setsockopt(client.number(), IPPROTO_TCP, TCP_NODELAY, &yes, sizeof yes);
  place.line = std::move(client);
}

// Waits a moment for bytes and clients, and feeds what came.
void listen_once(emulated::Controller& controller, Place& place) {
  std::array<pollfd, 2> asked{pollfd{place.line.number(), POLLIN, 0}, pollfd{place.listener.number(), POLLIN, 0}};
  if (::poll(asked.data(), asked.size(), kIdleMilliseconds) <= 0) return;  // a signal: the caller looks
  if (asked[1].revents != 0) welcome(place);
  if (asked[0].revents == 0) return;
  std::array<std::uint8_t, 4096> bytes{};
  const ssize_t n = ::read(place.line.number(), bytes.data(), bytes.size());
  if (n > 0) {
    controller.feed(std::span<const std::uint8_t>(bytes.data(), static_cast<std::size_t>(n)), controller.now());
  } else if (place.listener.open() && (n == 0 || (errno != EAGAIN && errno != EINTR))) {
    place.line = Descriptor();  // the client left; the fixture's deadman does the rest
  }
}

}  // namespace

Status serve(emulated::Controller& controller, const std::string& listen, const Listening& listening,
             const link::Cancellation& stop) {
  auto opened = open_place(listen);
  if (!opened) return opened.error();
  Place place = opened.take();
  if (listening) listening(place.address);
  using Clock = std::chrono::steady_clock;
  auto since = Clock::now();
  Picoseconds base = controller.now();
  while (!stop.requested()) {
    const double elapsed = std::chrono::duration<double>(Clock::now() - since).count();
    Picoseconds target = base + static_cast<Picoseconds>(elapsed * kPicosecondsPerSecond);
    const auto lag_most = static_cast<Picoseconds>(kLagMostSeconds * kPicosecondsPerSecond);
    if (target > controller.now() + lag_most) {
      since = Clock::now();
      base = target = controller.now() + kSlice;
    }
    advance(controller, target, place);
    listen_once(controller, place);
  }
  return {};
}

}  // namespace tenterhook::commands
