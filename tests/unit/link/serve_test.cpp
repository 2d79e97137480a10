// The server of emulated fixtures, with a controller that only echoes: addresses, pacing, manners.
#include "host/commands/serve.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include <array>
#include <chrono>
#include <filesystem>
#include <future>
#include <thread>

#include "host/link/port.h"

namespace tenterhook::commands {
namespace {

using ::testing::HasSubstr;
using emulated::Picoseconds;

// Says every byte again, one millisecond of its own time later.
class Echo final : public emulated::Controller {
 public:
  Picoseconds now() const override { return now_; }
  void feed(std::span<const std::uint8_t> bytes, Picoseconds t) override {
    due_ = std::max(t, now_) + 1'000'000'000;
    waiting_.insert(waiting_.end(), bytes.begin(), bytes.end());
  }
  Picoseconds run_until(Picoseconds deadline, bool stop_on_output) override {
    if (!waiting_.empty() && due_ <= deadline) {
      now_ = std::max(now_, due_);
      said_.insert(said_.end(), waiting_.begin(), waiting_.end());
      waiting_.clear();
      if (stop_on_output) return now_;
    }
    return now_ = std::max(now_, deadline);
  }
  std::vector<std::uint8_t> take_output() override { return std::exchange(said_, {}); }
  bool has_output() const override { return !said_.empty(); }
  void set_host_baud(int) override {}
  void inject(emulated::Injection) override {}
  void record_edges(bool) override {}
  const std::vector<emulated::PinEdge>& edges() const override { return edges_; }
  emulated::FixtureCircuit& circuit() override { std::abort(); }
  std::string describe() const override { return "echo"; }

 private:
  Picoseconds now_ = 0, due_ = 0;
  std::vector<std::uint8_t> waiting_, said_;
  std::vector<emulated::PinEdge> edges_;
};

// A server in a thread of its own, stopped and joined at the end.
class Served {
 public:
  explicit Served(const std::string& listen) {
    thread_ = std::thread([this, listen] {
      outcome_ = serve(echo_, listen, [this](const std::string& address) { address_.set_value(address); }, stop_);
    });
  }
  ~Served() { EXPECT_TRUE(finish().ok()); }
  std::string address() { return address_.get_future().get(); }
  Status finish() {
    stop_.request();
    if (thread_.joinable()) thread_.join();
    return outcome_;
  }
  const Echo& echo() const { return echo_; }

 private:
  Echo echo_;
  link::Cancellation stop_;
  std::promise<std::string> address_;
  Status outcome_;
  std::thread thread_;
};

std::string exchange(link::Port& port, const std::string& words) {
  EXPECT_TRUE(port.write(std::vector<std::uint8_t>(words.begin(), words.end())).ok());
  std::string heard;
  const auto until = std::chrono::steady_clock::now() + std::chrono::seconds(1);
  while (heard.size() < words.size() && std::chrono::steady_clock::now() < until) {
    std::array<std::uint8_t, 64> bytes{};
    auto n = port.read(bytes, Seconds{0.05});
    if (!n.ok()) return n.error().what;
    heard.append(bytes.begin(), bytes.begin() + static_cast<std::ptrdiff_t>(*n));
  }
  return heard;
}

struct Folder {
  std::string path;
  Folder() {
    std::string name = (std::filesystem::temp_directory_path() / "serveXXXXXX").string();
    path = ::mkdtemp(name.data());
  }
  ~Folder() { std::filesystem::remove_all(path); }
};

TEST(Serve, EveryKindOfAddressCarriesBytesBothWays) {
  Folder folder;
  for (const std::string& listen : {std::string("pty"), "unix:" + folder.path + "/s", std::string("tcp:0")}) {
    Served served(listen);
    auto port = link::open_port(served.address(), 0);
    ASSERT_TRUE(port.ok()) << listen << ": " << port.error().text();
    EXPECT_EQ(exchange(**port, "heald and loom"), "heald and loom") << listen;
  }
}

TEST(Serve, VirtualTimeKeepsToTheWallClock) {
  Served served("tcp:0");
  served.address();
  std::this_thread::sleep_for(std::chrono::milliseconds(300));
  ASSERT_TRUE(served.finish().ok());
  EXPECT_NEAR(static_cast<double>(served.echo().now()) * 1e-12, 0.3, 0.1);
}

TEST(Serve, SecondClientIsHungUpOnAndTheFirstGoesOn) {
  Served served("tcp:0");
  const std::string address = served.address();
  auto first = link::open_port(address, 0);
  ASSERT_TRUE(first.ok());
  EXPECT_EQ(exchange(**first, "one"), "one");
  auto second = link::open_port(address, 0);
  ASSERT_TRUE(second.ok());
  std::array<std::uint8_t, 8> bytes{};
  EXPECT_FALSE((*second)->read(bytes, Seconds{1.0}).ok());
  EXPECT_EQ(exchange(**first, "still"), "still");
}

TEST(Serve, NextClientIsServedAfterTheFirstLeft) {
  Served served("tcp:0");
  const std::string address = served.address();
  for (int i = 0; i < 3; ++i) {
    auto port = link::open_port(address, 0);
    ASSERT_TRUE(port.ok());
    EXPECT_EQ(exchange(**port, "again"), "again") << i;
    port.take().reset();
    std::this_thread::sleep_for(std::chrono::milliseconds(20));
  }
}

TEST(Serve, SocketFileIsRemovedAtTheEndAndALeftOverOneIsReplaced) {
  Folder folder;
  const std::string path = folder.path + "/s";
  const int dead = ::socket(AF_UNIX, SOCK_STREAM, 0);
  sockaddr_un address{};
  address.sun_family = AF_UNIX;
  path.copy(address.sun_path, path.size());
  ASSERT_EQ(::bind(dead, reinterpret_cast<sockaddr*>(&address), sizeof address), 0);
  ::close(dead);
  ASSERT_TRUE(std::filesystem::exists(path));
  {
    Served served("unix:" + path);
    auto port = link::open_port(served.address(), 0);
    ASSERT_TRUE(port.ok());
    EXPECT_EQ(exchange(**port, "x"), "x");
    Echo other;
    link::Cancellation stop;
    Status busy = serve(other, "unix:" + path, {}, stop);
    ASSERT_FALSE(busy.ok());
    EXPECT_THAT(busy.error().what, HasSubstr("listens there already"));
    EXPECT_EQ(exchange(**port, "y"), "y");
  }
  EXPECT_FALSE(std::filesystem::exists(path));
}

TEST(Serve, OtherAddressesAreInputErrors) {
  Echo echo;
  link::Cancellation stop;
  for (const char* listen : {"", "serial", "tcp:", "tcp:loom", "tcp:70000", "unix:"}) {
    Status refused = serve(echo, listen, {}, stop);
    ASSERT_FALSE(refused.ok()) << listen;
    EXPECT_EQ(refused.error().trouble, Trouble::input) << listen;
  }
}

}  // namespace
}  // namespace tenterhook::commands
