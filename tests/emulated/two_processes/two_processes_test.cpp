// The program in two processes, as on a bench: `emulate` in one, `run` or `hold` in the other, over a
// pseudo-terminal, a Unix socket and TCP; and what a person types into `hold` through a pipe.
#include <fcntl.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <poll.h>
#include <stdlib.h>
#include <sys/wait.h>
#include <unistd.h>

#include <chrono>
#include <csignal>
#include <filesystem>
#include <string>
#include <vector>

namespace {

namespace fs = std::filesystem;
using Clock = std::chrono::steady_clock;
using testing::HasSubstr;

const std::string kTree = TH_SOURCE_DIR;

struct Folder {
  std::string path;
  Folder() {
    std::string name = (fs::temp_directory_path() / "two-XXXXXX").string();
    path = ::mkdtemp(name.data());
  }
  ~Folder() { fs::remove_all(path); }
};

// The program as a child, its three streams in our hands.
class Child {
 public:
  Child(const Folder& folder, std::vector<std::string> words) {
    int in[2], out[2], err[2];
    if (::pipe(in) != 0 || ::pipe(out) != 0 || ::pipe(err) != 0) ADD_FAILURE() << "no pipes";
    words.insert(words.begin(), TH_BINARY);
    std::vector<char*> argv;
    for (std::string& word : words) argv.push_back(word.data());
    argv.push_back(nullptr);
    pid_ = ::fork();
    if (pid_ == 0) {
      for (const char* name : {"HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME"}) ::setenv(name, folder.path.c_str(), 1);
      ::dup2(in[0], 0);
      ::dup2(out[1], 1);
      ::dup2(err[1], 2);
      for (const int fd : {in[0], in[1], out[0], out[1], err[0], err[1]}) ::close(fd);
      ::execv(TH_BINARY, argv.data());
      ::_exit(127);
    }
    ::close(in[0]);
    ::close(out[1]);
    ::close(err[1]);
    in_ = in[1];
    out_fd_ = out[0];
    err_fd_ = err[0];
    for (const int fd : {in_, out_fd_, err_fd_}) ::fcntl(fd, F_SETFD, FD_CLOEXEC);
  }
  ~Child() {
    if (pid_ > 0) {
      ::kill(pid_, SIGKILL);
      ::waitpid(pid_, nullptr, 0);
    }
    for (const int fd : {in_, out_fd_, err_fd_}) {
      if (fd >= 0) ::close(fd);
    }
  }
  void kill(int signal) { ::kill(pid_, signal); }
  void type(const std::string& text) { EXPECT_EQ(::write(in_, text.data(), text.size()), static_cast<ssize_t>(text.size())); }
  void close_input() {
    ::close(in_);
    in_ = -1;
  }
  // Reads until either stream holds `text`, the child ends or time is up.
  bool says(const std::string& text, double within_s) {
    const auto until = Clock::now() + std::chrono::duration<double>(within_s);
    while (Clock::now() < until) {
      if (out.find(text) != std::string::npos || err.find(text) != std::string::npos) return true;
      if (!take(50)) break;
    }
    return out.find(text) != std::string::npos || err.find(text) != std::string::npos;
  }
  // The exit code, 128 + n for signal n, -1 when it does not end in time.
  int ended(double within_s) {
    const auto until = Clock::now() + std::chrono::duration<double>(within_s);
    while (Clock::now() < until && take(50)) {
    }
    int status = 0;
    while (Clock::now() < until) {
      if (::waitpid(pid_, &status, WNOHANG) == pid_) {
        pid_ = -1;
        return WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
      }
      ::usleep(2000);
    }
    return -1;
  }
  std::string out, err;

 private:
  // False when both streams are at their end.
  bool take(int wait_ms) {
    pollfd fds[2] = {{out_fd_, POLLIN, 0}, {err_fd_, POLLIN, 0}};
    if (out_ended_) fds[0].fd = -1;
    if (err_ended_) fds[1].fd = -1;
    if (out_ended_ && err_ended_) return false;
    ::poll(fds, 2, wait_ms);
    char bytes[4096];
    for (int i = 0; i < 2; ++i) {
      if (fds[i].fd < 0 || !(fds[i].revents & (POLLIN | POLLHUP))) continue;
      const ssize_t got = ::read(fds[i].fd, bytes, sizeof bytes);
      if (got > 0) (i == 0 ? out : err).append(bytes, static_cast<std::size_t>(got));
      if (got <= 0) (i == 0 ? out_ended_ : err_ended_) = true;
    }
    return true;
  }
  pid_t pid_ = -1;
  int in_ = -1, out_fd_ = -1, err_fd_ = -1;
  bool out_ended_ = false, err_ended_ = false;
};

// The emulated fixture in a process of its own.
class Served {
 public:
  Served(const Folder& folder, const std::string& kind, const std::string& board)
      : child_(folder, {"emulate", kTree + "/" + board, "--quiet", "--listen",
                        kind == "unix" ? "unix:" + folder.path + "/line" : kind == "tcp" ? "tcp:0" : "pty"}) {
    EXPECT_TRUE(child_.says("\n", 30.0)) << child_.err;
    address = child_.out.substr(0, child_.out.find('\n'));
  }
  Child& child() { return child_; }
  std::string address;

 private:
  Child child_;
};

class EveryKind : public testing::TestWithParam<const char*> {
 protected:
  Folder folder;
};
INSTANTIATE_TEST_SUITE_P(TwoProcesses, EveryKind, testing::Values("pty", "unix", "tcp"));

TEST_P(EveryKind, RunPassesAgainstTheOtherProcess) {
  Served served(folder, GetParam(), "vectors/or-follower/board.yaml");
  Child run(folder, {"run", kTree + "/vectors/or-follower/board.yaml", "--yes", "--fixture", served.address, "--store", folder.path + "/s.db"});
  EXPECT_EQ(run.ended(60.0), 0) << run.out << run.err;
  EXPECT_THAT(run.out, HasSubstr("PASS"));
}

TEST_P(EveryKind, KilledServerIsNamedWithinASecond) {
  Served served(folder, GetParam(), "tests/boards/row-register.yaml");
  Child run(folder, {"run", kTree + "/tests/boards/row-register.yaml", "--yes", "--fixture", served.address, "--store", folder.path + "/s.db"});
  ASSERT_TRUE(run.says("row-register", 30.0)) << run.err;
  ::usleep(1500000);  // in the middle of power-up or vectors; the whole run takes longer
  const auto since = Clock::now();
  served.child().kill(SIGKILL);
  ASSERT_TRUE(run.says("tenterhook: ", 5.0)) << run.out << run.err;
  EXPECT_LT(std::chrono::duration<double>(Clock::now() - since).count(), 1.0) << run.err;
  EXPECT_EQ(run.ended(10.0), 3) << run.out << run.err;
  // The cause, and that nothing is promised about the rails.
  EXPECT_THAT(run.err, testing::AnyOf(HasSubstr("gone"), HasSubstr("closed"), HasSubstr("unplugged"), HasSubstr("lost"))) << run.err;
}

TEST(Hold, TakesCommandsFromAPipe) {
  Folder folder;
  Child hold(folder, {"hold", kTree + "/vectors/pick-counter/board.yaml", "--fixture", "emulated"});
  hold.type("show\nCLEARn 0\nCLEARn 1\npulse STEP 3\nwait 1\nN 0\nnonsense\nquit\n");
  hold.close_input();
  EXPECT_EQ(hold.ended(60.0), 0) << hold.out << hold.err;
  EXPECT_THAT(hold.out, HasSubstr("N = 011 (hex 3)"));
  EXPECT_THAT(hold.out, HasSubstr("CLEARn is given 1"));
  EXPECT_THAT(hold.out, HasSubstr("not understood"));
  EXPECT_THAT(hold.out + hold.err, HasSubstr("V"));
  EXPECT_THAT(hold.out, testing::Not(HasSubstr("WRONG")));
}

TEST(Hold, EndOfInputPowersDown) {
  Folder folder;
  Child hold(folder, {"hold", kTree + "/tests/boards/stop-wire.yaml", "--fixture", "emulated"});
  hold.type("next\n");
  hold.close_input();
  EXPECT_EQ(hold.ended(60.0), 0) << hold.out << hold.err;
  EXPECT_THAT(hold.out, HasSubstr("at step 0: all well"));
}

TEST(Hold, ShowsAWrongLineOfARecordedStep) {
  Folder folder;
  Child run(folder, {"run", kTree + "/tests/boards/pattern-gates.yaml", "--fixture", "emulated", "--fault", "XOR stuck-high", "--store",
                     folder.path + "/s.db", "--quiet"});
  ASSERT_EQ(run.ended(60.0), 1) << run.out << run.err;
  Child hold(folder, {"hold", "1:3", "--fixture", "emulated", "--fault", "XOR stuck-high", "--store", folder.path + "/s.db"});
  hold.close_input();
  EXPECT_EQ(hold.ended(60.0), 0) << hold.out << hold.err;
  EXPECT_THAT(hold.out, HasSubstr("at step 3"));
  EXPECT_THAT(hold.out, testing::ContainsRegex("XOR .*WRONG"));
}

TEST(Hookup, PrintsTheListWithoutTerminalOrFixture) {
  Folder folder;
  Child list(folder, {"hookup", kTree + "/tests/boards/stop-wire.yaml"});
  EXPECT_EQ(list.ended(30.0), 0) << list.err;
  EXPECT_THAT(list.out, HasSubstr("sense.0"));
  EXPECT_THAT(list.out, HasSubstr("10 kohm to logic"));
  Child json(folder, {"hookup", kTree + "/tests/boards/stop-wire.yaml", "--json", "-"});
  EXPECT_EQ(json.ended(30.0), 0) << json.err;
  EXPECT_THAT(json.out, testing::StartsWith("{"));
  EXPECT_THAT(json.out, HasSubstr("\"channel\": \"sense.0\""));
}

TEST(Check, TakesEveryKindOfFileAndABoardAlone) {
  Folder folder;
  Child check(folder, {"check", kTree + "/vectors/shed-latch/board.yaml", kTree + "/vectors/shed-latch/acceptance.vectors.yaml",
                       kTree + "/tests/boards/two-cards.machine.yaml", kTree + "/tests/boards/loom-gates.yaml",
                       kTree + "/fixtures/mega2560/fixture.yaml"});
  EXPECT_EQ(check.ended(30.0), 0) << check.err;
  EXPECT_THAT(check.out, HasSubstr("no steps"));
  EXPECT_THAT(check.out, HasSubstr("relay operations"));
  EXPECT_THAT(check.out, HasSubstr("machine two-cards, 2 boards"));
  EXPECT_THAT(check.out, HasSubstr("gate library"));
  EXPECT_THAT(check.out, HasSubstr("fixture mega2560"));
}

}  // namespace
