// A real `tenterhook run` in another process, killed without warning while it holds a powered board: the
// fixture's own truth says when everything was open.
#include <fcntl.h>
#include <gtest/gtest.h>
#include <signal.h>
#include <sys/wait.h>
#include <unistd.h>

#include <atomic>
#include <chrono>
#include <filesystem>
#include <future>
#include <thread>

#include "host/commands/serve.h"
#include "tests/emulated/acceptance/whole_run.h"

namespace tenterhook::acceptance {
namespace {

using emulated::Picoseconds;

constexpr Picoseconds kMs = 1'000'000'000;
constexpr Picoseconds kAllowed = 250 * kMs;
constexpr Picoseconds kLook = 2 * kMs;

// Another controller, looked at every 2 ms of its time.
class Watched : public emulated::Controller {
 public:
  explicit Watched(std::unique_ptr<emulated::Controller> inner) : inner_(std::move(inner)) {}

  // --- the test's side, from any thread ---
  std::atomic<bool> on{false};            // a contact is closed or a rail is on, now
  std::atomic<bool> powered{false};       // a rail is on: contacts alone close and open while leads are checked
  std::atomic<bool> late{false};          // something was on later than allowed after the last byte
  std::atomic<int> quiet_ms{0};           // since the last byte
  std::atomic<int> opened_after_ms{-1};   // the last byte, when everything had opened

  // --- Controller ---
  Picoseconds now() const override { return inner_->now(); }
  void feed(std::span<const std::uint8_t> bytes, Picoseconds t) override {
    last_byte_ = std::max(inner_->now(), t) + static_cast<Picoseconds>(bytes.size()) * 20'000'000;
    inner_->feed(bytes, t);
  }
  Picoseconds run_until(Picoseconds deadline, bool stop_on_output) override {
    while (inner_->now() < deadline) {
      inner_->run_until(std::min(deadline, inner_->now() + kLook), stop_on_output);
      look();
      if (stop_on_output && inner_->has_output()) break;
    }
    return inner_->now();
  }
  std::vector<std::uint8_t> take_output() override { return inner_->take_output(); }
  bool has_output() const override { return inner_->has_output(); }
  void set_host_baud(int baud) override { inner_->set_host_baud(baud); }
  void inject(emulated::Injection what) override { inner_->inject(what); }
  void record_edges(bool record) override { inner_->record_edges(record); }
  const std::vector<emulated::PinEdge>& edges() const override { return inner_->edges(); }
  emulated::FixtureCircuit& circuit() override { return inner_->circuit(); }
  std::string describe() const override { return inner_->describe(); }

 private:
  void look() {
    const auto truth = inner_->circuit().truth(inner_->now());
    const bool closed = truth.any_contact_closed || truth.any_rail_on;
    const Picoseconds quiet = std::max<Picoseconds>(0, inner_->now() - last_byte_);
    if (closed && quiet > kAllowed + kLook) late = true;
    if (!closed && on) opened_after_ms = static_cast<int>(quiet / kMs);
    on = closed;
    powered = truth.any_rail_on;
    quiet_ms = static_cast<int>(quiet / kMs);
  }

  std::unique_ptr<emulated::Controller> inner_;
  Picoseconds last_byte_ = 0;
};

template <class Condition>
bool wait_for(Condition condition, double seconds) {
  const auto until = std::chrono::steady_clock::now() + std::chrono::duration<double>(seconds);
  while (!condition() && std::chrono::steady_clock::now() < until) std::this_thread::sleep_for(std::chrono::milliseconds(1));
  return condition();
}

class Killed : public ::testing::Test {
 protected:
  void SetUp() override {
    std::string name = (std::filesystem::temp_directory_path() / "killedXXXXXX").string();
    folder_ = ::mkdtemp(name.data());
    const std::string tree = TH_SOURCE_DIR;
    vectors_ = tree + "/vectors/shed-latch/acceptance.vectors.yaml";
    auto made = commands::make_emulated(plan_of(vectors_), 1, {}, commands::Firmware::native);
    ASSERT_TRUE(made.ok());
    watched_ = std::make_unique<Watched>(made.take());
    std::promise<void> listening;
    auto ready = listening.get_future();
    server_ = std::thread([this, &listening] {
      served_ = commands::serve(*watched_, "unix:" + folder_ + "/line", [&](const std::string&) { listening.set_value(); }, stop_);
    });
    ready.get();
  }
  void TearDown() override {
    stop_.request();
    if (server_.joinable()) server_.join();
    EXPECT_TRUE(served_.ok());
    std::filesystem::remove_all(folder_);
  }
  pid_t run() {
    const std::string line = "unix:" + folder_ + "/line", store = folder_ + "/store.db";
    const pid_t pid = ::fork();
    if (pid == 0) {
      const int null = ::open("/dev/null", O_RDWR);
      for (int i = 0; i < 3; ++i) ::dup2(null, i);
      ::execl(TH_BINARY, TH_BINARY, "run", vectors_.c_str(), "--yes", "--fixture", line.c_str(), "--store", store.c_str(), nullptr);
      ::_exit(127);
    }
    return pid;
  }
  // A run that has been powering the board for a while, ended by `signal`.
  void end_by(int signal) {
    const pid_t pid = run();
    ASSERT_TRUE(wait_for([&] { return watched_->powered.load(); }, 20.0));
    std::this_thread::sleep_for(std::chrono::milliseconds(300));
    ASSERT_TRUE(watched_->powered) << "it ended by itself";
    watched_->opened_after_ms = -1;
    ::kill(pid, signal);
    if (signal == SIGSTOP) {
      ASSERT_TRUE(wait_for([&] { return watched_->quiet_ms > 400; }, 20.0));
      ::kill(pid, SIGKILL);
    }
    ::waitpid(pid, nullptr, 0);
    ASSERT_TRUE(wait_for([&] { return watched_->quiet_ms > 400; }, 20.0));
    EXPECT_FALSE(watched_->late);
    EXPECT_FALSE(watched_->on);
    EXPECT_GE(watched_->opened_after_ms, 0);
    EXPECT_LE(watched_->opened_after_ms, 250);
    std::printf("everything open %d ms after the last byte\n", watched_->opened_after_ms.load());
  }

  std::string folder_, vectors_;
  std::unique_ptr<Watched> watched_;
  link::Cancellation stop_;
  Status served_;
  std::thread server_;
};

TEST_F(Killed, WithoutWarningEverythingOpensInTime) { end_by(SIGKILL); }
TEST_F(Killed, StoppedLikeASleepingComputerEverythingOpensInTime) { end_by(SIGSTOP); }

}  // namespace
}  // namespace tenterhook::acceptance
