// Every system call and every allocation of the store, of the files and of a port fails once, then from there
// on for ever: nothing acknowledged is lost, nothing that was not read is believed, and every error has a text.
#include <gtest/gtest.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <filesystem>
#include <functional>
#include <fstream>
#include <string>

#include "host/commands/run.h"
#include "host/files/reader.h"
#include "host/link/port.h"
#include "host/record/store.h"
#include "tests/failing/failing_calls.h"
#include "tests/unit/record/scenario.h"

namespace tenterhook {
namespace {

namespace fs = std::filesystem;
using failing::Allocations;
using failing::Calls;
using failing::Failure;

constexpr int kErrors[] = {EIO, ENOSPC, EINTR};
constexpr long kCallsMost = 5000;

class Failing : public ::testing::Test {
 protected:
  void SetUp() override {
    std::string name = (fs::temp_directory_path() / "failingXXXXXX").string();
    folder_ = ::mkdtemp(name.data());
    path_ = folder_ + "/history.db";
  }
  void TearDown() override { fs::remove_all(folder_); }
  void fresh() {
    for (const char* suffix : {"", "-wal", "-shm", "-journal"}) fs::remove(path_ + suffix);
  }
  std::string folder_, path_;
};

void expect_clear(const Error& error) {
  EXPECT_NE(error.trouble, Trouble::bug) << error.text();
  EXPECT_FALSE(error.what.empty());
  EXPECT_GT(error.text().size(), 20u) << error.text();
}

std::string what_fails(const Failure& f) {
  return "call " + std::to_string(f.at) + (f.for_ever ? " and all after it" : "") + " with " + std::strerror(f.error_number);
}

// The failures of one study: each call once and for ever, with each error number; ends at the call that
// the work does not make any more.
void each_failure(const std::function<long(const Failure&)>& work, long& tried) {
  for (const int error_number : kErrors) {
    for (const bool for_ever : {false, true}) {
      if (for_ever && error_number != EIO) continue;  // a disk that is full stays full for its own calls alone; no signal comes for ever
      for (long at = 1; at < kCallsMost; ++at) {
        const Failure failure{at, for_ever, error_number};
        SCOPED_TRACE(what_fails(failure));
        const long counted = work(failure);
        if (::testing::Test::HasFailure()) return;
        if (counted < at) break;
        ++tried;
      }
    }
  }
}

// ---------------------------------------------------------------- the store

struct Acknowledged {
  int steps = 0;
  bool begun = false, finished = false;
};

// A run recorded with failures; what the store said yes to.
Acknowledged record(const std::string& path, record::RunRecord& run) {
  Acknowledged yes;
  auto store = record::Store::open(path);
  if (!store.ok()) {
    expect_clear(store.error());
    return yes;
  }
  const auto number = store->begin(run);
  if (!number.ok()) {
    expect_clear(number.error());
    return yes;
  }
  yes.begun = true;
  for (const record::StepRecord& step : run.steps) {
    const Status added = store->add_step(run.number, step);
    if (!added.ok()) {
      expect_clear(added.error());
      break;  // what was not acknowledged may be missing: nothing is claimed of what follows
    }
    ++yes.steps;
  }
  if (yes.steps < static_cast<int>(run.steps.size())) return yes;
  const Status finished = store->finish(run);
  if (finished.ok()) yes.finished = true;
  else expect_clear(finished.error());
  return yes;
}

void expect_kept(const std::string& path, const Acknowledged& yes, const record::RunRecord& run) {
  auto store = record::Store::open(path);
  ASSERT_TRUE(store.ok()) << store.error().text();
  const Status sound = store->check();
  ASSERT_TRUE(sound.ok()) << sound.error().text();
  const auto back = store->load("last");
  if (!yes.begun) return;
  ASSERT_TRUE(back.ok()) << back.error().text();
  ASSERT_GE(static_cast<int>(back->steps.size()), yes.steps);
  for (int i = 0; i < yes.steps; ++i) {
    const auto& was = run.steps[static_cast<std::size_t>(i)];
    const auto& is = back->steps[static_cast<std::size_t>(i)];
    ASSERT_EQ(is.index, was.index);
    ASSERT_EQ(is.readings.size(), was.readings.size());
    for (std::size_t r = 0; r < is.readings.size(); ++r) ASSERT_EQ(is.readings[r].volts.value, was.readings[r].volts.value);
  }
  if (yes.finished) {
    ASSERT_TRUE(back->complete);
    ASSERT_EQ(back->verdict, run.verdict);
  }
  if (back->complete) {
    ASSERT_EQ(back->steps.size(), run.steps.size()) << "a verdict without its samples";
  } else {
    ASSERT_EQ(back->verdict, measure::Verdict::none);
  }
}

record::RunRecord short_run() {
  scenario::LatchRun options;
  options.steps = 3;
  return scenario::latch_run(options);
}

TEST_F(Failing, StoreLosesNothingThatItAcknowledged) {
  long tried = 0;
  each_failure([&](const Failure& failure) {
    fresh();
    record::RunRecord run = short_run();
    Acknowledged yes;
    long counted = 0;
    {
      Calls calls(failure);
      yes = record(path_, run);
      counted = calls.counted();
    }
    expect_kept(path_, yes, run);
    return counted;
  }, tried);
  std::printf("%ld failures of the store's calls\n", tried);
  EXPECT_GT(tried, 200);
}

TEST_F(Failing, StoreThatIsReadFailsClearlyOrReadsAll) {
  record::RunRecord run = short_run();
  ASSERT_TRUE(record(path_, run).finished);
  long tried = 0;
  each_failure([&](const Failure& failure) {
    Calls calls(failure);
    auto store = record::Store::open(path_, record::Store::Mode::read);
    if (!store.ok()) {
      expect_clear(store.error());
      return calls.counted();
    }
    const auto back = store->load("last");
    if (!back.ok()) expect_clear(back.error());
    else EXPECT_EQ(back->steps.size(), run.steps.size());
    return calls.counted();
  }, tried);
  std::printf("%ld failures of a reading store's calls\n", tried);
  EXPECT_GT(tried, 20);
}

TEST_F(Failing, StoreLosesNothingWhenMemoryEnds) {
  long at = 1, failed = 0;
  for (;; at += 1 + at / 40) {
    fresh();
    record::RunRecord run = short_run();
    Acknowledged yes;
    bool thrown = false;
    long counted = 0;
    {
      Allocations allocations(at);
      try {
        yes = record(path_, run);
      } catch (const std::bad_alloc&) {
        thrown = true;
      }
      counted = allocations.counted();
    }
    if (counted < at) break;
    ++failed;
    if (!thrown) expect_kept(path_, yes, run);
    else expect_kept(path_, {}, run);
    ASSERT_FALSE(HasFailure()) << "allocation " << at;
  }
  std::printf("%ld of %ld allocations failed\n", failed, at);
  EXPECT_GT(failed, 50);
}

// ---------------------------------------------------------------- files

TEST_F(Failing, FileThatIsNotReadWholeIsNotBelieved) {
  const std::string path = std::string(TH_SOURCE_DIR) + "/vectors/shed-latch/acceptance.vectors.yaml";
  const auto whole = files::read_vectors(path);
  ASSERT_TRUE(whole.ok()) << whole.error().text();
  long tried = 0;
  each_failure([&](const Failure& failure) {
    Calls calls(failure);
    const auto read = files::read_vectors(path);
    const long counted = calls.counted();
    if (!read.ok()) {
      expect_clear(read.error());
      return counted;
    }
    EXPECT_EQ(read->steps.size(), whole->steps.size());
    EXPECT_EQ(read->sources.size(), whole->sources.size());
    for (std::size_t i = 0; i < read->sources.size(); ++i) EXPECT_EQ(read->sources[i].text, whole->sources[i].text);
    return counted;
  }, tried);
  std::printf("%ld failures of the files' calls\n", tried);
  EXPECT_GT(tried, 10);
}

TEST_F(Failing, FilesWithoutMemoryAreNotBelieved) {
  const std::string path = std::string(TH_SOURCE_DIR) + "/vectors/or-follower/board.yaml";
  const auto whole = files::read_vectors(path);
  ASSERT_TRUE(whole.ok()) << whole.error().text();
  long at = 1, failed = 0;
  for (;; at += 1 + at / 60) {
    Allocations allocations(at);
    try {
      const auto read = files::read_vectors(path);
      if (read.ok()) {
        EXPECT_EQ(read->steps.size(), whole->steps.size()) << "allocation " << at;
      }
    } catch (const std::bad_alloc&) {
    }
    if (allocations.counted() < at) break;
    ++failed;
  }
  std::printf("%ld of %ld allocations failed\n", failed, at);
  EXPECT_GT(failed, 50);
}

// ---------------------------------------------------------------- a whole run

// `tenterhook run` on a board whose record fails at every so-many-th call: it leaves with 0 only when the pass
// is in the store with all its readings.
TEST_F(Failing, RunWithoutItsRecordDoesNotPass) {
  constexpr long kEvery = 23;
  commands::RunOptions options;
  options.bench.fixture = "emulated";
  options.bench.quiet = true;
  options.bench.store = path_;
  options.vectors = std::string(TH_SOURCE_DIR) + "/vectors/or-follower/board.yaml";
  int failed = 0, passed = 0;
  for (const bool for_ever : {false, true}) {
    for (long at = 1 + kEvery * for_ever / 2; at < kCallsMost; at += kEvery) {
      const Failure failure{at, for_ever, ENOSPC};
      SCOPED_TRACE(what_fails(failure));
      fresh();
      long counted = 0;
      int code = 0;
      testing::internal::CaptureStdout();
      testing::internal::CaptureStderr();
      {
        Calls calls(failure);
        code = commands::run(options);
        counted = calls.counted();
      }
      testing::internal::GetCapturedStdout();
      const std::string said = testing::internal::GetCapturedStderr();
      if (counted < at) break;
      if (code == kExitPass) {
        ++passed;
        auto store = record::Store::open(path_);
        ASSERT_TRUE(store.ok());
        const auto back = store->load("last");
        ASSERT_TRUE(back.ok()) << "it passed, and nothing is kept of it";
        EXPECT_TRUE(back->complete);
        EXPECT_EQ(back->verdict, measure::Verdict::pass);
        EXPECT_EQ(back->steps.size(), 4u);
      } else {
        ++failed;
        EXPECT_TRUE(code == kExitFixture || code == kExitInput) << code << ": " << said;
        EXPECT_FALSE(said.empty());
      }
    }
  }
  std::printf("%d runs did not pass without their record, %d were kept all the same\n", failed, passed);
  EXPECT_GT(failed, 5);
}

// ---------------------------------------------------------------- a port

// One end of a line that gives back what it is given; single-threaded: the other end is a socket pair's.
TEST_F(Failing, PortFailsClearlyOrCarriesEveryByte) {
  const std::string path = folder_ + "/line";
  const int listener = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
  sockaddr_un address{};
  address.sun_family = AF_UNIX;
  path.copy(address.sun_path, sizeof address.sun_path - 1);
  ASSERT_EQ(0, ::bind(listener, reinterpret_cast<const sockaddr*>(&address), sizeof address));
  ASSERT_EQ(0, ::listen(listener, 8));
  const std::string sent = "bytes that go there and come back";
  long tried = 0;
  each_failure([&](const Failure& failure) {
    long counted = 0;
    int other = -1;
    {
      std::unique_ptr<link::Port> port;
      {
        Calls calls(failure);
        auto opened = link::open_port("unix:" + path, 500000);
        counted = calls.counted();
        if (!opened.ok()) expect_clear(opened.error());
        else port = opened.take();
      }
      if (port) {
        other = ::accept(listener, nullptr, nullptr);
        Calls calls(Failure{failure.at - counted > 0 ? failure.at - counted : failure.for_ever ? 1 : 0, failure.for_ever, failure.error_number});
        const Status written = port->write({reinterpret_cast<const std::uint8_t*>(sent.data()), sent.size()});
        if (!written.ok()) expect_clear(written.error());
        else if (::write(other, sent.data(), sent.size()) > 0) {  // what it echoes; this call counts too, and may fail
          std::string got;
          for (int turn = 0; turn < 8 && got.size() < sent.size(); ++turn) {
            std::uint8_t bytes[64];
            const auto n = port->read(bytes, Seconds{0.01});
            if (!n.ok()) {
              expect_clear(n.error());
              break;
            }
            got.append(reinterpret_cast<const char*>(bytes), *n);
          }
          EXPECT_EQ(got, sent.substr(0, got.size()));
          if (got.empty() && !failure.for_ever && failure.error_number == EINTR) ADD_FAILURE() << "an interrupted call lost bytes";
        }
        counted += calls.counted();
      }
    }
    if (other >= 0) ::close(other);
    return counted;
  }, tried);
  ::close(listener);
  std::printf("%ld failures of a port's calls\n", tried);
  EXPECT_GT(tried, 20);
}

}  // namespace
}  // namespace tenterhook
