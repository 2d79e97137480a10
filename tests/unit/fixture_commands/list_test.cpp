// `fixture list` on ports that are there and answer nothing, or nothing that it understands: each reason is told
// apart and comes with what to do.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <sys/wait.h>

#include <filesystem>
#include <fstream>
#include <functional>
#include <nlohmann/json.hpp>
#include <sstream>

#include "firmware/wire/frame.h"
#include "tests/unit/fixture_commands/wire_answers.h"

namespace tenterhook {
namespace {

using testing::AnyOf;
using testing::HasSubstr;
namespace fs = std::filesystem;

// What the list says of one address.
std::string trouble_of(const std::string& address, const std::string& as = "") {
  std::string pattern = (fs::temp_directory_path() / "list-test-XXXXXX").string();
  const fs::path folder = mkdtemp(pattern.data());
  const std::string command = as + (as.empty() ? "" : " ") + std::string(TH_PROGRAM) + " fixture list '" + address + "' --json - </dev/null >'" +
                              (folder / "out").string() + "' 2>'" + (folder / "err").string() + "'";
  const int status = std::system(command.c_str());
  EXPECT_TRUE(WIFEXITED(status)) << command;
  std::ifstream in(folder / "out");
  std::stringstream text;
  text << in.rdbuf();
  fs::remove_all(folder);
  const auto json = nlohmann::json::parse(text.str(), nullptr, false);
  if (json.is_discarded()) return "no JSON: " + text.str();
  for (const auto& port : json["ports"]) {
    if (port["port"] == address) return port.value("trouble", "");
  }
  return "not listed";
}

TEST(List, APortThatIsNotThere) {
  EXPECT_THAT(trouble_of("/dev/no-such-port"), HasSubstr("no such device"));
}

TEST(List, APortThatAnotherProgramHolds) {
  Answering silent({});
  const int held = open(silent.path().c_str(), O_RDWR | O_NOCTTY);
  ASSERT_GE(held, 0);
  ASSERT_EQ(::flock(held, LOCK_EX | LOCK_NB), 0);
  EXPECT_THAT(trouble_of(silent.path()), AnyOf(HasSubstr("has it open"), HasSubstr("only one may talk")));
  close(held);
}

TEST(List, APortThatThisUserMayNotOpen) {
  Answering silent({});
  const bool root = geteuid() == 0;
  ASSERT_EQ(chmod(silent.path().c_str(), root ? 0600 : 0000), 0);
  const std::string said = trouble_of(silent.path(), root ? "setpriv --reuid=65534 --regid=65534 --clear-groups env HOME=/nonexistent" : "");
  EXPECT_THAT(said, HasSubstr("no permission"));
  EXPECT_THAT(said, AnyOf(HasSubstr("udev rule"), HasSubstr("usermod")));
}

TEST(List, SilenceAndAnotherBaudRateAreToldApart) {
  Answering silent({});
  const std::string nothing = trouble_of(silent.path());
  EXPECT_FALSE(nothing.empty());
  EXPECT_THAT(nothing, testing::Not(HasSubstr("baud")));
  Answering garbled({Answering::With::garbage});
  EXPECT_THAT(trouble_of(garbled.path()), HasSubstr("baud"));
}

TEST(List, AnOldFirmwareIsNamedWithTheRemedy) {
  Answering old({Answering::With::old_protocol});
  const std::string said = trouble_of(old.path());
  EXPECT_THAT(said, HasSubstr("version"));
  EXPECT_THAT(said, HasSubstr("fixture flash"));
}

}  // namespace
}  // namespace tenterhook
