// Every file of malformed/ must be refused with exactly the answer of expected.txt.
#include <gtest/gtest.h>

#include <chrono>
#include <filesystem>
#include <fstream>
#include <set>
#include <sstream>

#include "host/files/machine.h"
#include "host/files/reader.h"
#include "tests/processor_clock.h"

namespace tenterhook::files {
namespace {

const std::string kFolder = TH_SOURCE_DIR "/tests/unit/files/malformed/";

template <class T>
std::string answer(const Result<T>& read) {
  if (read) return "accepted";
  EXPECT_EQ(exit_code(read.error().trouble), kExitInput);
  std::string text = read.error().text();
  for (std::size_t at; (at = text.find(kFolder)) != std::string::npos;)
    text.erase(at, kFolder.size());
  return text;
}

std::string answer_to(const std::string& name) {
  const std::string path = kFolder + name;
  if (name.find(".fixture.") != std::string::npos) return answer(read_fixture(path));
  if (name.find(".machine.") != std::string::npos) return answer(read_machine(path));
  if (name.find(".vectors.") != std::string::npos) return answer(read_vectors(path));
  // A one-file board is read as vectors, so that its steps are read too.
  std::ifstream in(path);
  std::stringstream text;
  text << in.rdbuf();
  return text.str().find("\nsteps:") != std::string::npos ? answer(read_vectors(path))
                                                          : answer(read_board(path));
}

TEST(Malformed, EveryFileHasItsExactAnswerInTime) {
  std::ifstream table(kFolder + "expected.txt");
  std::set<std::string> told;
  for (std::string line; std::getline(table, line);) {
    if (line.empty() || line[0] == '#') continue;
    const std::string expected = line.substr(line.find(' ') + 1);
    const std::string name = expected.substr(0, expected.find(".yaml") + 5);
    told.insert(name);
    const auto start = ProcessorClock::now();
    EXPECT_EQ(answer_to(name), expected);
    const std::chrono::duration<double> took = ProcessorClock::now() - start;
    EXPECT_LT(took.count(), 0.2) << name;
  }
  EXPECT_GE(told.size(), 80u);
  for (const auto& entry : std::filesystem::directory_iterator(kFolder)) {
    const std::string name = entry.path().filename().string();
    EXPECT_TRUE(name == "expected.txt" || told.count(name) == 1)
        << name << " is not in expected.txt";
  }
}

}  // namespace
}  // namespace tenterhook::files
