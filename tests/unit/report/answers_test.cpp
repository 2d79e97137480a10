// What the reading commands write with --json against its published schema, by two validators that know nothing of
// each other: valijson, and Debian's python3-jsonschema.
#include <gtest/gtest.h>
#include <unistd.h>

#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <valijson/adapters/nlohmann_json_adapter.hpp>
#include <valijson/schema.hpp>
#include <valijson/schema_parser.hpp>
#include <valijson/validation_results.hpp>
#include <valijson/validator.hpp>

#include "host/commands/compare.h"
#include "host/commands/history.h"
#include "host/commands/machine.h"
#include "host/commands/merge.h"
#include "host/commands/parts.h"
#include "host/commands/show.h"
#include "host/commands/trend.h"
#include "tests/unit/record/scenario.h"

namespace tenterhook::commands {
namespace {

namespace fs = std::filesystem;
using nlohmann::json;

std::string schema_path(const std::string& name) {
  return std::string(TH_SOURCE_DIR) + "/docs/schemas/" + name + ".schema.json";
}

bool fits(const json& document, const json& schema_text) {
  valijson::Schema schema;
  valijson::SchemaParser parser(valijson::SchemaParser::kDraft7);
  parser.populateSchema(valijson::adapters::NlohmannJsonAdapter(schema_text), schema);
  valijson::Validator validator;
  return validator.validate(schema, valijson::adapters::NlohmannJsonAdapter(document), nullptr);
}

class Answers : public ::testing::Test {
 protected:
  void SetUp() override {
    std::string pattern = (fs::temp_directory_path() / "tenterhook-answers-XXXXXX").string();
    ASSERT_NE(mkdtemp(pattern.data()), nullptr);
    folder_ = pattern;
    store_ = (folder_ / "history.db").string();
    auto store = record::Store::open(store_);
    ASSERT_TRUE(store.ok());
    for (int i = 0; i < 10; ++i) {
      scenario::LatchRun options;
      options.seed = static_cast<std::uint64_t>(i + 1);
      options.steps = 8;
      options.q1_stuck_low = i == 9;
      options.q2_high_v = 24.0 - 0.1 * i;
      record::RunRecord run = scenario::latch_run(options);
      run.started = "2026-11-0" + std::to_string(i % 9 + 1) + "T1" + std::to_string(i / 9) + ":00:00Z";
      run.timings = {{"delay", "PICK", "Q0", "rising", 1e-6 * (i + 3), 1e-7, 6e-6, 12, measure::Verdict::pass}};
      ASSERT_TRUE(store->begin(run).ok());
      for (const record::StepRecord& step : run.steps) ASSERT_TRUE(store->add_step(run.number, step).ok());
      if (i == 4) continue;  // one is left without an end
      ASSERT_TRUE(store->finish(run).ok());
    }
    record::RunRecord tripped = scenario::tripped_run();
    ASSERT_TRUE(store->begin(tripped).ok());
    ASSERT_TRUE(store->finish(tripped).ok());
  }
  void TearDown() override { fs::remove_all(folder_); }

  // Runs the command with --json into a file and holds what it wrote against the schema; then takes away each
  // required field in turn, which must be refused.
  template <class Options>
  void expect_fits(const std::string& name, int (*command)(const Options&), Options options) {
    SCOPED_TRACE(name);
    const std::string file = (folder_ / (name + ".json")).string();
    options.json = file;
    options.store = store_;
    ::testing::internal::CaptureStdout();
    const int code = command(options);
    ::testing::internal::GetCapturedStdout();
    ASSERT_EQ(code, 0);
    std::ifstream in(file), schema_in(schema_path(name));
    const json document = json::parse(in), schema = json::parse(schema_in);
    EXPECT_TRUE(fits(document, schema));
    for (const json& field : schema["required"]) {
      json bad = document;
      bad.erase(field.get<std::string>());
      EXPECT_FALSE(fits(bad, schema)) << field;
    }
    checks_ += "check(" + json(schema_path(name)).dump() + ", " + json(file).dump() + ")\n";
  }
  void expect_independent_agreement() const {
    const std::string script = (folder_ / "check.py").string();
    std::ofstream(script) << "import json, jsonschema\n"
                             "def check(schema, document):\n"
                             "    s = json.load(open(schema))\n"
                             "    jsonschema.Draft7Validator.check_schema(s)\n"
                             "    jsonschema.Draft7Validator(s).validate(json.load(open(document)))\n"
                          << checks_;
    EXPECT_EQ(std::system(("python3 '" + script + "'").c_str()), 0);
  }

  fs::path folder_;
  std::string store_, checks_;
};

TEST_F(Answers, FitTheirSchemas) {
  expect_fits("history", history, HistoryOptions{});
  CompareOptions runs;
  runs.before = "1";
  runs.after = "10";
  expect_fits("compare", compare, runs);
  TrendOptions levels;
  levels.board = "shed-latch";
  levels.serial = "003";
  expect_fits("trend", trend, levels);
  PartsOptions built;
  built.board = "shed-latch";
  built.serial = "003";
  built.swapped = "V3";
  expect_fits("parts", parts, built);
  NoteOptions remark;
  remark.run = "1";
  remark.text = "dusty";
  remark.photos = {schema_path("note")};
  expect_fits("note", note, remark);
  ShowOptions line;
  line.run = "1";
  line.explain = "Q2";
  expect_fits("explain", show, line);
  MachineOptions wires;
  wires.file = std::string(TH_SOURCE_DIR) + "/tests/boards/two-cards.machine.yaml";
  expect_fits("machine-answer", machine, wires);
  const std::string other = (folder_ / "other.db").string();
  fs::copy_file(std::string(TH_SOURCE_DIR) + "/tests/data/stores/v2.db", other);
  MergeOptions join;
  join.from = other;
  expect_fits("merge", merge, join);
  expect_independent_agreement();
}

}  // namespace
}  // namespace tenterhook::commands
