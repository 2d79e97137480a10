// What `diagnose --json` and `coverage --json` write against their published schemas, by two validators
// that know nothing of each other: valijson, and Debian's python3-jsonschema.
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

#include "host/commands/coverage.h"
#include "host/commands/diagnose.h"
#include "host/record/store.h"
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

// Every required field is required, and a probability beyond 1 is refused wherever there is one.
void expect_fits(const std::string& name, const std::string& file) {
  SCOPED_TRACE(name);
  std::ifstream in(file), schema_in(schema_path(name));
  const json document = json::parse(in), schema = json::parse(schema_in);
  EXPECT_TRUE(fits(document, schema)) << document.dump(1);
  for (const json& field : schema["required"]) {
    json bad = document;
    bad.erase(field.get<std::string>());
    EXPECT_FALSE(fits(bad, schema)) << field;
  }
  for (const char* field : {"coverage", "none"}) {
    if (!document.contains(field)) continue;
    json bad = document;
    bad[field] = 1.5;
    EXPECT_FALSE(fits(bad, schema)) << field;
  }
  const std::string script = file + ".py";
  std::ofstream(script) << "import json, jsonschema\n"
                        << "s = json.load(open(" << json(schema_path(name)).dump() << "))\n"
                        << "jsonschema.Draft7Validator.check_schema(s)\n"
                        << "jsonschema.Draft7Validator(s).validate(json.load(open(" << json(file).dump() << ")))\n";
  EXPECT_EQ(std::system(("python3 '" + script + "'").c_str()), 0);
}

class Answers : public ::testing::Test {
 protected:
  void SetUp() override {
    std::string pattern = (fs::temp_directory_path() / "tenterhook-diagnose-XXXXXX").string();
    ASSERT_NE(mkdtemp(pattern.data()), nullptr);
    folder_ = pattern;
  }
  void TearDown() override { fs::remove_all(folder_); }
  std::string at(const std::string& name) const { return (folder_ / name).string(); }
  fs::path folder_;
};

TEST_F(Answers, OfDiagnoseFitTheirSchema) {
  {
    auto store = record::Store::open(at("history.db"));
    ASSERT_TRUE(store.ok());
    for (int i = 0; i < 2; ++i) {
      scenario::LatchRun options;
      options.seed = static_cast<std::uint64_t>(i + 1);
      options.steps = 8;
      options.q1_stuck_low = i == 1;
      record::RunRecord run = scenario::latch_run(options);
      // The board's own files, so that its circuit is there.
      for (files::SourceFile& source : run.sources) {
        std::ifstream file(std::string(TH_SOURCE_DIR) + "/" + source.path);
        std::string text{std::istreambuf_iterator<char>(file), {}};
        if (!text.empty()) source.text = std::move(text);
      }
      run.started = "2026-11-0" + std::to_string(i + 1) + "T10:00:00Z";
      ASSERT_TRUE(store->begin(run).ok());
      for (const record::StepRecord& step : run.steps) ASSERT_TRUE(store->add_step(run.number, step).ok());
      ASSERT_TRUE(store->finish(run).ok());
    }
  }
  for (const char* run : {"1", "2"}) {
    DiagnoseOptions options;
    options.run = run;
    options.bench.store = at("history.db");
    options.bench.json = at(std::string("diagnose") + run + ".json");
    options.bench.quiet = true;
    testing::internal::CaptureStdout();
    const int code = diagnose(options);
    testing::internal::GetCapturedStdout();
    ASSERT_EQ(code, 0);
    expect_fits("diagnose", options.bench.json);
  }
  std::ifstream in(at("diagnose2.json"));
  const json second = json::parse(in);
  EXPECT_EQ(second["baseline"], 1);  // the good run before it
  ASSERT_FALSE(second["suspects"].empty());
}

TEST_F(Answers, OfCoverageFitTheirSchema) {
  for (const char* board : {"vectors/pick-counter/acceptance.vectors.yaml", "tests/boards/weft-selector.yaml"}) {
    CoverageOptions options;
    options.vectors = std::string(TH_SOURCE_DIR) + "/" + board;
    options.json = at("coverage.json");
    options.other_faults = true;
    options.quiet = true;
    testing::internal::CaptureStdout();
    const int code = coverage(options);
    testing::internal::GetCapturedStdout();
    ASSERT_EQ(code, 0);
    expect_fits("coverage", options.json);
  }
}

}  // namespace
}  // namespace tenterhook::commands
