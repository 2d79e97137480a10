// `fixture flash` against a stand-in for avrdude on the PATH: what it is asked to do, and what happens when
// it fails or is not there. Nothing here touches a device.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/stat.h>
#include <sys/wait.h>

#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <sstream>

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
    const std::string command = "PATH='" + folder_.string() + ":/bin:/nowhere' " TH_PROGRAM " fixture flash /dev/no-such-port " +
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
  EXPECT_THAT(read("words"), HasSubstr("-P /dev/no-such-port"));
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
  EXPECT_THAT(read("out"), HasSubstr("no such device"));
}

}  // namespace
}  // namespace tenterhook
