// What `levels --json` and `fixture selftest --json` write against their published schemas, by an independent
// validator (Debian's python3-jsonschema); and what the schemas must refuse.
#include <gtest/gtest.h>

#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>

#include "host/commands/levels.h"
#include "host/commands/selftest.h"
#include "host/record/store.h"

namespace tenterhook::commands {
namespace {

using nlohmann::json;

class Written : public testing::Test {
 protected:
  Written() {
    std::string name = (std::filesystem::temp_directory_path() / "schemaXXXXXX").string();
    folder_ = ::mkdtemp(name.data());
    const char* data = std::getenv("XDG_DATA_HOME");
    before_ = data ? data : "";
    ::setenv("XDG_DATA_HOME", folder_.c_str(), 1);
  }
  ~Written() override {
    before_.empty() ? ::unsetenv("XDG_DATA_HOME") : ::setenv("XDG_DATA_HOME", before_.c_str(), 1);
    std::filesystem::remove_all(folder_);
  }
  json read(const std::string& file) {
    std::ifstream in(folder_ + "/" + file);
    return json::parse(in);
  }
  bool valid(const json& document, const std::string& schema) {
    const std::string file = folder_ + "/document.json", script = folder_ + "/validate.py";
    std::ofstream(file) << document.dump();
    std::ofstream(script) << "import json, jsonschema, sys\n"
                          << "s = json.load(open(" << json(std::string(TH_SOURCE_DIR) + "/docs/schemas/" + schema + ".schema.json").dump() << "))\n"
                          << "jsonschema.Draft7Validator.check_schema(s)\n"
                          << "e = list(jsonschema.Draft7Validator(s).iter_errors(json.load(open(" << json(file).dump() << "))))\n"
                          << "sys.exit(1 if e else 0)\n";
    return std::system(("python3 " + script).c_str()) == 0;
  }
  BenchOptions bench(const std::string& file) {
    BenchOptions o;
    o.fixture = "emulated";
    o.seed = 3;
    o.quiet = true;
    o.store = folder_ + "/history.db";
    o.json = folder_ + "/" + file;
    return o;
  }
  std::string folder_, before_;
};

TEST_F(Written, Levels) {
  LevelsOptions options;
  options.bench = bench("levels.json");
  options.board = std::string(TH_SOURCE_DIR) + "/vectors/or-follower/board.yaml";
  ASSERT_EQ(levels(options), kExitPass);
  json document = read("levels.json");
  EXPECT_TRUE(valid(document, "levels"));
  EXPECT_TRUE(valid(document, "run"));
  ASSERT_FALSE(document.at("sources").empty());
  document["sources"][0].erase("known");
  EXPECT_FALSE(valid(document, "levels"));
}

TEST_F(Written, SelfTest) {
  SelfTestOptions options;
  options.bench = bench("selftest.json");
  options.bench.faults = {"fixture.drive.2 stuck-open"};
  ASSERT_EQ(fixture_selftest(options), kExitFixture);
  json document = read("selftest.json");
  EXPECT_TRUE(valid(document, "selftest"));
  EXPECT_EQ(document.at("faults").size(), 1u);
  EXPECT_EQ(document.at("relays").size(), 47u);
  // And the record has it, with what it took out of the relays.
  auto store = record::Store::open(options.bench.store, record::Store::Mode::read);
  ASSERT_TRUE(store.ok());
  const auto wear = store->relay_wear(document.at("fixture_serial"));
  ASSERT_TRUE(wear.ok());
  EXPECT_GT(wear->size(), 48u);
  document["verdict"] = "maybe";
  EXPECT_FALSE(valid(document, "selftest"));
}

}  // namespace
}  // namespace tenterhook::commands
