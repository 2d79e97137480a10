// The examples of docs/files.md are read by the reader, so that they stay true.
#include <gtest/gtest.h>

#include <fstream>

#include "host/files/machine.h"
#include "host/files/reader.h"

namespace tenterhook::files {
namespace {

TEST(FilesDocument, EveryExampleReads) {
  std::ifstream in(TH_SOURCE_DIR "/docs/files.md");
  ASSERT_TRUE(in.good());
  int examples = 0;
  std::string text;
  bool inside = false;
  // Paths in examples are relative to a folder beside the demo boards.
  const std::string path = TH_SOURCE_DIR "/vectors/example/example.yaml";
  for (std::string line; std::getline(in, line);) {
    if (line == "```yaml") {
      inside = true;
      text.clear();
    } else if (line == "```" && inside) {
      inside = false;
      ++examples;
      std::string trouble;
      const auto told = [&](const auto& read) { trouble = read.ok() ? "" : read.error().text(); };
      if (text.rfind("vectors:", 0) == 0 || text.find("\nsteps:") != std::string::npos)
        told(parse_vectors(path, text));
      else if (text.rfind("board:", 0) == 0)
        told(parse_board(path, text));
      else if (text.rfind("fixture:", 0) == 0)
        told(parse_fixture(path, text));
      else if (text.rfind("machine:", 0) == 0)
        told(parse_machine(path, text));
      else
        trouble = "an example that is no whole file";
      EXPECT_EQ(trouble, "") << text;
    } else if (inside) {
      text += line + "\n";
    }
  }
  EXPECT_GE(examples, 5);
}

}  // namespace
}  // namespace tenterhook::files
