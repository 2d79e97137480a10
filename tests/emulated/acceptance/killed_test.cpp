// A real `tenterhook run` in another process, killed without warning while it holds a powered board: the
// fixture's own truth says when everything was open.
#include <fcntl.h>
#include <gtest/gtest.h>
#include <signal.h>
#include <sys/wait.h>
#include <unistd.h>

#include <chrono>
#include <filesystem>
#include <future>
#include <thread>

#include "host/commands/serve.h"
#include "tests/emulated/acceptance/watched.h"
#include "tests/emulated/acceptance/whole_run.h"

namespace tenterhook::acceptance {
namespace {

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
    vectors_ = tree + vectors_of_this_test();
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
  int code_of_run() {
    int status = -1;
    ::waitpid(run(), &status, 0);
    return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
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

  // A board whose heaters take their time; the next run of the same fixture wants one without.
  virtual std::string vectors_of_this_test() const { return "/vectors/shed-latch/acceptance.vectors.yaml"; }

  std::string folder_, vectors_;
  std::unique_ptr<Watched> watched_;
  link::Cancellation stop_;
  Status served_;
  std::thread server_;
};

TEST_F(Killed, WithoutWarningEverythingOpensInTime) { end_by(SIGKILL); }
class KilledAndAgain : public Killed {
  std::string vectors_of_this_test() const override { return "/vectors/pick-counter/acceptance.vectors.yaml"; }
};
// What the deadman latched is of the past: who starts a run means it.
TEST_F(KilledAndAgain, TheNextRunTakesTheLatchedFaultBack) {
  end_by(SIGKILL);
  EXPECT_EQ(0, code_of_run());
}
TEST_F(Killed, StoppedLikeASleepingComputerEverythingOpensInTime) { end_by(SIGSTOP); }

}  // namespace
}  // namespace tenterhook::acceptance
