// The run's JSON against its published schema, by two validators that know nothing of each other.
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

#include "host/report/json.h"
#include "tests/unit/record/scenario.h"

namespace tenterhook::report {
namespace {

const std::string kSchemaPath = std::string(TH_SOURCE_DIR) + "/docs/schemas/run.schema.json";

std::string first_error(const nlohmann::json& document) {
  std::ifstream file(kSchemaPath);
  const nlohmann::json text = nlohmann::json::parse(file);
  valijson::Schema schema;
  valijson::SchemaParser parser(valijson::SchemaParser::kDraft7);
  parser.populateSchema(valijson::adapters::NlohmannJsonAdapter(text), schema);
  valijson::Validator validator;
  valijson::ValidationResults results;
  if (validator.validate(schema, valijson::adapters::NlohmannJsonAdapter(document), &results)) {
    return "";
  }
  valijson::ValidationResults::Error error;
  results.popError(error);
  std::string where;
  for (const std::string& part : error.context) where += part;
  return where + ": " + error.description;
}

std::vector<record::RunRecord> runs() {
  scenario::LatchRun dead, weak;
  dead.q1_stuck_low = true;
  weak.q2_weak = true;
  std::vector<record::RunRecord> all = {scenario::latch_run(), scenario::latch_run(dead),
                                        scenario::latch_run(weak), scenario::tripped_run()};
  for (record::RunRecord& run : all) {
    run.number = 17;
    run.uid = "01KAXY0V6G3W5Z8T2QF4N7M9RC";
    run.complete = true;
  }
  all[0].sections["timing"] = R"({"delays": []})";
  return all;
}

TEST(RunSchema, EveryKindOfRunIsValid) {
  for (const record::RunRecord& run : runs()) {
    EXPECT_EQ(first_error(nlohmann::json::parse(run_json(run))), "");
  }
}

TEST(RunSchema, BrokenDocumentsAreRefused) {
  const nlohmann::json good = nlohmann::json::parse(run_json(runs()[1]));
  const auto refused = [&good](auto change) {
    nlohmann::json bad = good;
    change(bad);
    return first_error(bad) != "";
  };
  EXPECT_TRUE(refused([](auto& j) { j.erase("counts"); }));
  EXPECT_TRUE(refused([](auto& j) { j["verdict"] = "maybe"; }));
  EXPECT_TRUE(refused([](auto& j) { j["steps"][0]["readings"][0]["volts"] = "5 V"; }));
  EXPECT_TRUE(refused([](auto& j) { j["steps"][0]["readings"][0]["window"] = {1}; }));
  EXPECT_TRUE(refused([](auto& j) { j["steps"][0]["set"]["F0"] = 2; }));
  EXPECT_TRUE(refused([](auto& j) { j["levels"][0].erase("margin_low"); }));
  EXPECT_TRUE(refused([](auto& j) { j["run_uid"] = "short"; }));
  EXPECT_TRUE(refused([](auto& j) {
    j["aborted"] = {{"cause", "stop"}, {"where", ""}, {"blame", "luck"}};
  }));
}

// Debian's python3-jsonschema: the independent validator.
TEST(RunSchema, AnIndependentValidatorAgrees) {
  const auto folder = std::filesystem::temp_directory_path();
  int index = 0;
  for (const record::RunRecord& run : runs()) {
    const std::string path = (folder / ("tenterhook-run-" + std::to_string(getpid()) + "-" +
                                        std::to_string(index++) + ".json"))
                                 .string();
    std::ofstream(path) << run_json(run);
    const std::string command =
        "python3 -c 'import json, sys, jsonschema; s = json.load(open(sys.argv[1])); "
        "jsonschema.Draft7Validator.check_schema(s); "
        "jsonschema.Draft7Validator(s).validate(json.load(open(sys.argv[2])))' '" +
        kSchemaPath + "' '" + path + "'";
    EXPECT_EQ(std::system(command.c_str()), 0);
    std::filesystem::remove(path);
  }
}

}  // namespace
}  // namespace tenterhook::report
