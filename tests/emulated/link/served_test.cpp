// Sessions over real terminals and sockets, in real time, with the native firmware behind a server in
// another thread: the heartbeat thread, pauses of the caller, a server that goes away.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <stdlib.h>

#include <atomic>
#include <chrono>
#include <filesystem>
#include <future>
#include <thread>

#include "firmware/native/emulated_controller.h"
#include "host/commands/serve.h"
#include "tests/unit/link/bench.h"

namespace tenterhook::link {
namespace {

using ::testing::HasSubstr;
using Clock = std::chrono::steady_clock;

double seconds_since(Clock::time_point start) { return std::chrono::duration<double>(Clock::now() - start).count(); }

struct Folder {
  std::string path;
  Folder() {
    std::string name = (std::filesystem::temp_directory_path() / "servedXXXXXX").string();
    path = ::mkdtemp(name.data());
  }
  ~Folder() { std::filesystem::remove_all(path); }
};

class Served {
 public:
  explicit Served(const std::string& kind) {
    auto still = std::make_unique<StillFixture>();
    circuit_ = still.get();
    controller_ = std::make_unique<native::EmulatedController>(std::move(still));
    const std::string listen = kind == "unix" ? "unix:" + folder_.path + "/line" : kind == "tcp" ? "tcp:0" : "pty";
    std::promise<std::string> promise;
    auto ready = promise.get_future();
    thread_ = std::thread([this, listen, &promise] {
      outcome_ = commands::serve(*controller_, listen, [&](const std::string& address) { promise.set_value(address); }, stop_);
    });
    address_ = ready.get();
  }
  ~Served() { finish(); }
  std::unique_ptr<Session> open(const SessionOptions& options = {}) {
    auto port = open_port(address_, 500000);
    if (!port.ok()) {
      ADD_FAILURE() << port.error().text();
      return nullptr;
    }
    auto session = Session::open(port.take(), options);
    if (!session.ok()) {
      ADD_FAILURE() << session.error().text();
      return nullptr;
    }
    return session.take();
  }
  const std::string& address() const { return address_; }
  void request_stop() { stop_.request(); }
  void finish() {
    stop_.request();
    if (thread_.joinable()) thread_.join();
    EXPECT_TRUE(outcome_.ok());
  }
  // Only after finish(): the controller belongs to the server's thread before.
  bool closed() { return circuit_->truth(controller_->now()).any_contact_closed; }

 private:
  Folder folder_;
  StillFixture* circuit_ = nullptr;
  std::unique_ptr<emulated::Controller> controller_;
  Cancellation stop_;
  std::string address_;
  Status outcome_;
  std::thread thread_;
};

class EveryKind : public ::testing::TestWithParam<const char*> {};
INSTANTIATE_TEST_SUITE_P(Served, EveryKind, ::testing::Values("pty", "unix", "tcp"));

TEST_P(EveryKind, ProgramsRunWithoutLossAndTheCallerMayPause) {
  Served served(GetParam());
  auto session = served.open();
  ASSERT_TRUE(session);
  const ProgramOptions options{.steps = 50, .channels = 9, .relays = true, .end = false};
  for (int i = 0; i < 2; ++i) {
    Collected got;
    auto report = session->execute(program_of(options), got.sink());
    ASSERT_TRUE(report.ok()) << report.error().text();
    ASSERT_TRUE(report->finished) << report->fault->text;
    EXPECT_EQ(got.samples, expected_of(options));
    // Three deadman times without a call: the heartbeat thread alone keeps the fixture connected.
    std::this_thread::sleep_for(std::chrono::milliseconds(600));
  }
  auto ended = session->finish();
  ASSERT_TRUE(ended.ok()) << ended.error().text();
  EXPECT_TRUE(ended->finished);
  session.reset();
  served.finish();
  EXPECT_FALSE(served.closed());
}

TEST_P(EveryKind, ServerThatGoesAwayIsReportedWithinASecond) {
  Served served(GetParam());
  auto session = served.open();
  ASSERT_TRUE(session);
  Clock::time_point since = Clock::now();
  Sink sink;
  sink.sample = [&](const SampleBlock& block) {
    if (block.step != 10) return;
    since = Clock::now();
    served.request_stop();
  };
  auto report = session->execute(program_of({.steps = 5000, .relays = true}), sink);
  ASSERT_FALSE(report.ok());
  EXPECT_LT(seconds_since(since), 1.0);
  EXPECT_EQ(report.error().trouble, Trouble::fixture);
  EXPECT_FALSE(report.error().remedy.empty());
  auto after = session->status();
  EXPECT_FALSE(after.ok());
}

TEST(Served, CancellationFromAnotherThreadIsHeardWithinATenthOfASecond) {
  Served served("unix");
  Cancellation cancel;
  auto session = served.open({&cancel, 0});
  ASSERT_TRUE(session);
  Clock::time_point since{};
  std::thread person([&] {
    std::this_thread::sleep_for(std::chrono::milliseconds(150));
    since = Clock::now();
    cancel.request();
  });
  auto report = session->execute(program_of({.steps = 5000, .relays = true}), {});
  person.join();
  ASSERT_FALSE(report.ok());
  EXPECT_EQ(report.error().trouble, Trouble::interrupted) << report.error().text();
  EXPECT_LT(seconds_since(since), 0.1);
  served.finish();
  EXPECT_FALSE(served.closed());
}

TEST(Served, NextSessionFindsTheFixtureOpenAndFaultedByTheDeadman) {
  Served served("unix");
  // A host that dies: its port closes without a word in the middle.
  class Dying final : public Port {
   public:
    explicit Dying(std::unique_ptr<Port> port) : port_(std::move(port)) {}
    Result<std::size_t> read(std::span<std::uint8_t> into, Seconds patience) override {
      if (dead) return fixture_error("", "dead");
      return port_->read(into, patience);
    }
    Status write(std::span<const std::uint8_t> bytes) override {
      if (dead) return fixture_error("", "dead");
      return port_->write(bytes);
    }
    Seconds now() override { return port_->now(); }
    std::string describe() const override { return port_->describe(); }
    std::atomic<bool> dead{false};

   private:
    std::unique_ptr<Port> port_;
  };
  auto port = open_port(served.address(), 500000);
  ASSERT_TRUE(port.ok());
  auto dying = std::make_unique<Dying>(port.take());
  Dying* handle = dying.get();
  auto first = Session::open(std::move(dying));
  ASSERT_TRUE(first.ok()) << first.error().text();
  ASSERT_TRUE((*first)->execute(program_of({.steps = 2, .relays = true, .end = false}), {}).ok());
  handle->dead = true;
  first.take().reset();
  std::this_thread::sleep_for(std::chrono::milliseconds(300));
  auto next = served.open();
  ASSERT_TRUE(next);
  auto status = next->status();
  ASSERT_TRUE(status.ok()) << status.error().text();
  ASSERT_TRUE(status->fault.has_value());
  EXPECT_EQ(status->fault->cause, "deadman");
  EXPECT_EQ(status->fault->blame, "link");
  next.reset();
  served.finish();
  EXPECT_FALSE(served.closed());
}

}  // namespace
}  // namespace tenterhook::link
