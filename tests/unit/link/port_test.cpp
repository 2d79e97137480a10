// Ports over pseudo-terminals and sockets of this machine: bytes both ways, bounded waits, and
// the likely cause in every refusal.
#include "host/link/port.h"

#include <fcntl.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <netinet/in.h>
#include <pty.h>
#include <sys/file.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <termios.h>
#include <unistd.h>

#include <array>
#include <chrono>
#include <cstdlib>
#include <filesystem>
#include <fstream>

#include "host/link/port_stream.h"

namespace tenterhook::link {
namespace {

using ::testing::HasSubstr;

class Elapsed {
 public:
  double seconds() const { return std::chrono::duration<double>(std::chrono::steady_clock::now() - start_).count(); }

 private:
  std::chrono::steady_clock::time_point start_ = std::chrono::steady_clock::now();
};

std::vector<std::uint8_t> bytes(const std::string& s) { return {s.begin(), s.end()}; }

// Reads until `n` bytes came or half a second passed.
std::string read_some(Port& port, std::size_t n) {
  std::string all;
  Elapsed watch;
  while (all.size() < n && watch.seconds() < 0.5) {
    std::array<std::uint8_t, 64> buffer{};
    auto got = port.read(buffer, Seconds{0.05});
    if (!got.ok()) return all + "|" + got.error().what;
    all.append(buffer.begin(), buffer.begin() + static_cast<std::ptrdiff_t>(*got));
  }
  return all;
}

struct Folder {
  std::string path;
  Folder() {
    std::string name = (std::filesystem::temp_directory_path() / "linkXXXXXX").string();
    path = ::mkdtemp(name.data());
  }
  ~Folder() { std::filesystem::remove_all(path); }
};

struct Terminal {
  int master = -1;
  int slave = -1;
  std::string path;
  Terminal() {
    std::array<char, 128> name{};
    EXPECT_EQ(::openpty(&master, &slave, name.data(), nullptr, nullptr), 0);
    path = name.data();
    termios settings{};
    ::tcgetattr(slave, &settings);
    ::cfmakeraw(&settings);
    ::tcsetattr(slave, TCSANOW, &settings);
  }
  ~Terminal() {
    if (master >= 0) ::close(master);
    if (slave >= 0) ::close(slave);
  }
};

TEST(Port, AddressOfNoKnownFormIsAnInputError) {
  for (const char* address : {"ttyUSB0", "", "usb:1", "COM3"}) {
    auto port = open_port(address, 500000);
    ASSERT_FALSE(port.ok()) << address;
    EXPECT_EQ(port.error().trouble, Trouble::input);
    EXPECT_THAT(port.error().what, HasSubstr("unix:PATH"));
  }
}

TEST(Port, MissingDeviceSaysSoAndNamesTheListing) {
  auto port = open_port("/dev/no-such-port", 500000);
  ASSERT_FALSE(port.ok());
  EXPECT_EQ(port.error().trouble, Trouble::fixture);
  EXPECT_THAT(port.error().text(), HasSubstr("no such device"));
  EXPECT_THAT(port.error().remedy, HasSubstr("fixture list"));
}

TEST(Port, FileIsNotAPort) {
  Folder folder;
  std::ofstream(folder.path + "/file") << "x";
  auto port = open_port(folder.path + "/file", 500000);
  ASSERT_FALSE(port.ok());
  EXPECT_EQ(port.error().trouble, Trouble::input);
}

TEST(Port, BaudThatTheControllerCannotMakeIsRefused) {
  auto port = open_port("/dev/null", 115200);
  ASSERT_FALSE(port.ok());
  EXPECT_THAT(port.error().what, HasSubstr("115200"));
}

TEST(Port, DeviceThatIsNoSerialPortIsRefusedByTheLibraryPath) {
  auto port = open_port("/dev/null", 500000);
  ASSERT_FALSE(port.ok());
  EXPECT_EQ(port.error().trouble, Trouble::fixture);
  EXPECT_THAT(port.error().what, HasSubstr("not a serial port"));
}

TEST(Port, PermissionMessageNamesTheGroupAndTheRemedy) {
  const Error error = refused("/dev/null", EACCES);
  EXPECT_THAT(error.what, HasSubstr("group root"));
  EXPECT_THAT(error.remedy, HasSubstr("usermod -aG root"));
}

TEST(Port, UnixSocketWithoutServerNamesTheServerCommand) {
  auto port = open_port("unix:/nowhere/at/all", 0);
  ASSERT_FALSE(port.ok());
  EXPECT_EQ(port.error().trouble, Trouble::fixture);
  EXPECT_THAT(port.error().remedy, HasSubstr("emulate BOARD --listen unix:/nowhere/at/all"));
}

TEST(Port, OverlongSocketPathIsAnInputError) {
  auto port = open_port("unix:" + std::string(200, 'a'), 0);
  ASSERT_FALSE(port.ok());
  EXPECT_EQ(port.error().trouble, Trouble::input);
}

TEST(Port, MalformedTcpAddressesAreInputErrors) {
  for (const char* address : {"tcp:", "tcp:host", "tcp::12", "tcp:host:", "tcp:host:http", "tcp:host:70000"}) {
    auto port = open_port(address, 0);
    ASSERT_FALSE(port.ok()) << address;
    EXPECT_EQ(port.error().trouble, Trouble::input) << address;
  }
}

// A listening TCP socket on a free port of this machine.
struct TcpServer {
  int listener = ::socket(AF_INET, SOCK_STREAM, 0);
  int number = 0;
  TcpServer() {
    sockaddr_in address{};
    address.sin_family = AF_INET;
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    socklen_t length = sizeof address;
    EXPECT_EQ(::bind(listener, reinterpret_cast<sockaddr*>(&address), length), 0);
    ::getsockname(listener, reinterpret_cast<sockaddr*>(&address), &length);
    number = ntohs(address.sin_port);
  }
  ~TcpServer() { ::close(listener); }
};

TEST(Port, TcpWithoutServerIsRefusedWithinTheBound) {
  TcpServer reserved;  // bound, not listening: nobody else can listen there meanwhile
  Elapsed watch;
  auto port = open_port("tcp:127.0.0.1:" + std::to_string(reserved.number), 0);
  ASSERT_FALSE(port.ok());
  EXPECT_THAT(port.error().what, HasSubstr("nobody listens"));
  EXPECT_LT(watch.seconds(), 3.5);
}

TEST(Port, TcpCarriesBytesBothWays) {
  TcpServer server;
  ASSERT_EQ(::listen(server.listener, 1), 0);
  auto port = open_port("tcp:127.0.0.1:" + std::to_string(server.number), 0);
  ASSERT_TRUE(port.ok()) << port.error().text();
  const int peer = ::accept(server.listener, nullptr, nullptr);
  ASSERT_TRUE((*port)->write(bytes("loom")).ok());
  std::array<char, 4> seen{};
  ASSERT_EQ(::recv(peer, seen.data(), 4, MSG_WAITALL), 4);
  EXPECT_EQ(std::string(seen.begin(), seen.end()), "loom");
  ASSERT_EQ(::send(peer, "heald", 5, 0), 5);
  EXPECT_EQ(read_some(**port, 5), "heald");
  ::close(peer);
}

struct UnixPair {
  Folder folder;
  std::string path = folder.path + "/socket";
  int listener = ::socket(AF_UNIX, SOCK_STREAM, 0);
  int peer = -1;
  std::unique_ptr<Port> port;
  UnixPair() {
    sockaddr_un address{};
    address.sun_family = AF_UNIX;
    path.copy(address.sun_path, sizeof address.sun_path - 1);
    EXPECT_EQ(::bind(listener, reinterpret_cast<sockaddr*>(&address), sizeof address), 0);
    EXPECT_EQ(::listen(listener, 1), 0);
    auto opened = open_port("unix:" + path, 0);
    EXPECT_TRUE(opened.ok());
    port = opened.take();
    peer = ::accept(listener, nullptr, nullptr);
  }
  ~UnixPair() {
    ::close(peer);
    ::close(listener);
  }
};

TEST(Port, ReadWaitsNoLongerThanAsked) {
  UnixPair pair;
  std::array<std::uint8_t, 8> buffer{};
  Elapsed watch;
  auto got = pair.port->read(buffer, Seconds{0.05});
  ASSERT_TRUE(got.ok());
  EXPECT_EQ(*got, 0u);
  EXPECT_GE(watch.seconds(), 0.045);
  EXPECT_LT(watch.seconds(), 0.5);
}

TEST(Port, ClosedPeerIsAnErrorOfReadAndOfWriteAndNeverKillsTheProgram) {
  UnixPair pair;
  ::shutdown(pair.peer, SHUT_RDWR);
  Elapsed watch;
  std::array<std::uint8_t, 8> buffer{};
  auto got = pair.port->read(buffer, Seconds{1.0});
  ASSERT_FALSE(got.ok());
  EXPECT_EQ(got.error().trouble, Trouble::fixture);
  EXPECT_THAT(got.error().what, HasSubstr("closed"));
  EXPECT_LT(watch.seconds(), 0.5);
  EXPECT_FALSE(pair.port->write(bytes("x")).ok());
}

TEST(Port, WriteToAPeerThatNeverReadsIsBounded) {
  UnixPair pair;
  const std::vector<std::uint8_t> much(4 << 20, 0x55);
  Elapsed watch;
  Status written = pair.port->write(much);
  ASSERT_FALSE(written.ok());
  EXPECT_THAT(written.error().what, HasSubstr("took no bytes"));
  EXPECT_LT(watch.seconds(), kWritePatience.value + 1.0);
}

TEST(Port, PseudoTerminalCarriesEveryByteValueUntranslated) {
  Terminal terminal;
  auto port = open_port(terminal.path, 0);
  ASSERT_TRUE(port.ok()) << port.error().text();
  std::string all;
  for (int i = 0; i < 256; ++i) all.push_back(static_cast<char>(i));
  ASSERT_TRUE((*port)->write(bytes(all)).ok());
  std::string seen;
  while (seen.size() < 256) {
    std::array<char, 256> buffer{};
    const ssize_t n = ::read(terminal.master, buffer.data(), buffer.size());
    ASSERT_GT(n, 0);
    seen.append(buffer.data(), static_cast<std::size_t>(n));
  }
  EXPECT_EQ(seen, all);
  ASSERT_EQ(::write(terminal.master, all.data(), all.size()), 256);
  EXPECT_EQ(read_some(**port, 256), all);
}

TEST(Port, StaleBytesOfAnEarlierUserAreDiscarded) {
  Terminal terminal;
  ASSERT_EQ(::write(terminal.master, "old", 3), 3);
  auto port = open_port(terminal.path, 0);
  ASSERT_TRUE(port.ok());
  ASSERT_EQ(::write(terminal.master, "new", 3), 3);
  EXPECT_EQ(read_some(**port, 3), "new");
}

TEST(Port, SecondUserOfADeviceIsTurnedAway) {
  Terminal terminal;
  auto first = open_port(terminal.path, 0);
  ASSERT_TRUE(first.ok());
  auto second = open_port(terminal.path, 0);
  ASSERT_FALSE(second.ok());
  EXPECT_EQ(second.error().trouble, Trouble::fixture);
  EXPECT_THAT(second.error().what, HasSubstr("has it open"));
  first.take().reset();
}

TEST(Port, ClosedMasterOfAPseudoTerminalIsReportedAtOnce) {
  Terminal terminal;
  auto port = open_port(terminal.path, 0);
  ASSERT_TRUE(port.ok());
  ::close(terminal.master);
  ::close(terminal.slave);
  terminal.master = terminal.slave = -1;
  Elapsed watch;
  std::array<std::uint8_t, 8> buffer{};
  EXPECT_FALSE((*port)->read(buffer, Seconds{1.0}).ok());
  EXPECT_LT(watch.seconds(), 0.5);
}

TEST(Port, ListingOpensNothingAndSucceeds) {
  auto ports = list_ports();
  ASSERT_TRUE(ports.ok()) << ports.error().text();
  for (const PortInfo& info : *ports) EXPECT_EQ(info.path.rfind("/dev/", 0), 0u) << info.path;
}

}  // namespace
}  // namespace tenterhook::link
