// `fixture flash`: against a stand-in for avrdude on the PATH, what it is asked to do, and what happens when it
// fails or is not there; and with the real avrdude, against a boot loader on a pseudo-terminal. Nothing here
// touches a device.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/stat.h>
#include <sys/wait.h>

#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <map>
#include <sstream>

#include "tests/unit/fixture_commands/boot_loader.h"

namespace tenterhook {
namespace {

using testing::HasSubstr;
namespace fs = std::filesystem;

class Flash : public testing::Test {
 protected:
  void SetUp() override {
    std::string pattern = (fs::temp_directory_path() / "flash-test-XXXXXX").string();
    folder_ = mkdtemp(pattern.data());
  }
  void TearDown() override { fs::remove_all(folder_); }

  // An avrdude that records its words and the file it was given, then ends with `code`.
  void stand_in(int code) {
    const fs::path script = folder_ / "avrdude";
    std::ofstream(script) << "#!/bin/sh\necho \"$@\" > '" << (folder_ / "words").string() << "'\n"
                          << "for w in \"$@\"; do case $w in flash:w:*:i) f=${w#flash:w:}; cp \"${f%:i}\" '"
                          << (folder_ / "image").string() << "';; esac; done\nexit " << code << "\n";
    chmod(script.c_str(), 0755);
  }
  int flash(const std::string& options) {
    // The rest of the PATH stays for sh and cp; only avrdude is looked for in our folder first.
    const std::string command = "PATH='" + folder_.string() + ":/bin:/nowhere' " TH_PROGRAM " fixture flash /dev/null " +
                                options + " </dev/null >'" + (folder_ / "out").string() + "' 2>&1";
    const int status = std::system(command.c_str());
    return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
  }
  std::string read(const char* name) const {
    std::ifstream in(folder_ / name);
    std::stringstream text;
    text << in.rdbuf();
    return text.str();
  }

  fs::path folder_;
};

TEST_F(Flash, WithoutAPersonNothingIsWritten) {
  stand_in(0);
  EXPECT_EQ(flash(""), 2);
  EXPECT_THAT(read("out"), HasSubstr("--yes"));
  EXPECT_FALSE(fs::exists(folder_ / "words"));
}

TEST_F(Flash, NamesTheChipAndGivesItsOwnFirmware) {
  stand_in(1);
  EXPECT_EQ(flash("--yes"), 3);
  EXPECT_THAT(read("words"), HasSubstr("-p m2560"));
  EXPECT_THAT(read("words"), HasSubstr("-P /dev/null"));
  // Verification is avrdude's default; it must not be switched off.
  EXPECT_THAT(read("words"), testing::Not(HasSubstr("-V")));
  // Intel HEX: records that begin with a colon, the last one of type 01.
  const std::string image = read("image");
  ASSERT_FALSE(image.empty());
  EXPECT_EQ(image[0], ':');
  EXPECT_THAT(image, HasSubstr(":00000001FF"));
  EXPECT_THAT(read("out"), HasSubstr("avrdude ended with 1"));
}

TEST_F(Flash, AProgramThatDoesNotAnswerAfterwardsIsNotASuccess) {
  stand_in(0);
  EXPECT_EQ(flash("--yes"), 3);
  EXPECT_THAT(read("out"), HasSubstr("not a serial port"));
}

// --- the real avrdude ---

// Intel HEX: data records (00) behind extended segment (02) or linear (04) addresses.
std::map<std::size_t, std::uint8_t> bytes_of(const std::string& hex) {
  std::map<std::size_t, std::uint8_t> out;
  std::istringstream lines(hex);
  std::string line;
  std::size_t base = 0;
  const auto number = [&line](std::size_t at, std::size_t digits) { return static_cast<std::size_t>(std::stoul(line.substr(at, digits), nullptr, 16)); };
  while (std::getline(lines, line)) {
    if (line.size() < 11 || line[0] != ':') continue;
    const std::size_t size = number(1, 2), address = number(3, 4), type = number(7, 2);
    if (type == 2) base = number(9, 4) << 4;
    if (type == 4) base = number(9, 4) << 16;
    for (std::size_t i = 0; type == 0 && i < size; ++i) out[base + address + i] = static_cast<std::uint8_t>(number(9 + 2 * i, 2));
  }
  return out;
}

class RealAvrdude : public Flash {
 protected:
  int flash_at(const std::string& port, const std::string& options = "") {
    const std::string command = TH_PROGRAM " fixture flash '" + port + "' --yes " + options + " </dev/null >'" + (folder_ / "out").string() + "' 2>&1";
    const int status = std::system(command.c_str());
    return WIFEXITED(status) ? WEXITSTATUS(status) : -1;
  }
};

TEST_F(RealAvrdude, TakesTheWordsThatItIsGiven) {
  // Nothing is written (-n), and there is no port: it gets as far as the port, which it then tries for ever.
  const std::string hex = (folder_ / "empty.hex").string();
  std::ofstream(hex) << ":00000001FF\n";
  const std::string command = "timeout -s KILL 3 avrdude -p m2560 -c wiring -P /dev/no-such-port -D -n -U flash:w:" + hex + ":i >'" + (folder_ / "said").string() + "' 2>&1";
  EXPECT_NE(std::system(command.c_str()), 0);
  EXPECT_THAT(read("said"), HasSubstr("cannot open port /dev/no-such-port"));
  EXPECT_THAT(read("said"), testing::Not(HasSubstr("sage:")));  // a word that it does not know
}

TEST_F(RealAvrdude, AMissingPortIsNamed) {
  EXPECT_EQ(flash_at("/dev/no-such-port"), 3);
  EXPECT_THAT(read("out"), HasSubstr("no such port; nothing was written"));
}

TEST_F(RealAvrdude, WritesAndVerifiesEveryByteOfThisFirmware) {
  BootLoader chip({});
  EXPECT_EQ(flash_at(chip.path()), 3);  // written; but nothing answers as a fixture on this port
  EXPECT_THAT(read("out"), HasSubstr("verified"));
  EXPECT_GT(chip.pages_written(), 20);
  // Byte by byte what the program was asked to write: the file that a stand-in is given.
  stand_in(1);
  flash("--yes");
  int compared = 0;
  for (const auto& [address, byte] : bytes_of(read("image"))) {
    ASSERT_LT(address, chip.flash().size());
    ASSERT_EQ(chip.flash()[address], byte) << address;
    ++compared;
  }
  EXPECT_GT(compared, 10'000);
}

TEST_F(RealAvrdude, RefusesAnotherChip) {
  BootLoader::Chip other;
  other.signature[1] = 0x95;  // ATmega328P: 1E 95 0F
  other.signature[2] = 0x0F;
  BootLoader chip(other);
  EXPECT_EQ(flash_at(chip.path()), 3);
  EXPECT_THAT(read("out"), HasSubstr("not an ATmega2560"));
  EXPECT_EQ(chip.pages_written(), 0);
}

TEST_F(RealAvrdude, AByteThatReadsBackOtherwiseIsNoSuccess) {
  BootLoader::Chip worn;
  worn.bad_byte = 300;
  BootLoader chip(worn);
  EXPECT_EQ(flash_at(chip.path()), 3);
  EXPECT_THAT(read("out"), HasSubstr("verification failed"));
}

TEST_F(RealAvrdude, SilenceIsEndedAndNamed) {
  // A port that takes everything and says nothing: avrdude alone would try for a minute and more.
  EXPECT_EQ(flash_at("/dev/null", "--at-most 2"), 3);
  EXPECT_THAT(read("out"), HasSubstr("no boot loader answered"));
}

}  // namespace
}  // namespace tenterhook
