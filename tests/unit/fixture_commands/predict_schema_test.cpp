// The schemas of predict: its side files, and what --json gives.
#include <gtest/gtest.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <functional>
#include <nlohmann/json.hpp>
#include <regex>
#include <sstream>
#include <valijson/adapters/nlohmann_json_adapter.hpp>
#include <valijson/schema.hpp>
#include <valijson/schema_parser.hpp>
#include <valijson/validation_results.hpp>
#include <valijson/validator.hpp>

#include "host/files/yaml_tree.h"

namespace tenterhook {
namespace {

using Json = nlohmann::json;
const std::string kRoot = TH_SOURCE_DIR "/";

Json as_json(const yaml::Node& node) {
  if (node.is_list()) {
    Json list = Json::array();
    for (const auto& item : node.items) list.push_back(as_json(item));
    return list;
  }
  if (node.is_map()) {
    Json map = Json::object();
    for (const auto& entry : node.entries) map[entry.key.text] = as_json(entry.value);
    return map;
  }
  if (!node.quoted && std::regex_match(node.text, std::regex("[-+]?[0-9]{1,15}"))) return std::stoll(node.text);
  return node.text;
}

// Empty when the schema accepts the document.
std::string refusal(const std::string& kind, const Json& document) {
  std::ifstream in(kRoot + "docs/schemas/" + kind + ".schema.json");
  const Json text = Json::parse(in);
  EXPECT_EQ(text.at("$schema"), "http://json-schema.org/draft-07/schema#");
  valijson::Schema schema;
  valijson::SchemaParser(valijson::SchemaParser::kDraft7).populateSchema(valijson::adapters::NlohmannJsonAdapter(text), schema);
  valijson::Validator validator;
  valijson::ValidationResults results;
  if (validator.validate(schema, valijson::adapters::NlohmannJsonAdapter(document), &results)) return "";
  valijson::ValidationResults::Error error;
  std::string said = "refused";
  while (results.popError(error)) said += "; " + error.description;
  return said;
}

Json side_file(const std::string& gate) {
  auto tree = yaml::load(kRoot + "fixtures/emulated/spice/" + gate + ".yaml");
  EXPECT_TRUE(tree.ok()) << (tree ? "" : tree.error().text());
  return tree ? as_json(*tree) : Json();
}

TEST(PredictSchema, AcceptsTheSideFilesOfTheTree) {
  for (const char* gate : {"or-follower", "breadboard-or", "triode-inverter", "triode-latch"}) EXPECT_EQ(refusal("predict", side_file(gate)), "") << gate;
}

TEST(PredictSchema, RefusesWhatTheReaderRefuses) {
  const Json good = side_file("breadboard-or");
  const std::pair<const char*, std::function<void(Json&)>> mistakes[] = {
      {"a misspelt key", [](Json& j) { j["varry"] = j["vary"]; }},
      {"no netlist", [](Json& j) { j.erase("netlist"); }},
      {"a level without a unit", [](Json& j) { j["inputs"]["A"]["low"] = "5"; }},
      {"half a bench", [](Json& j) { j["inputs"]["A"]["bench"].erase("high"); }},
      {"two ways to spread", [](Json& j) { j["vary"]["r*"] = {{"within", "5 %"}, {"spread", "5 %"}}; }},
      {"an unknown method", [](Json& j) { j["method"] = "dice"; }},
      {"no samples", [](Json& j) { j["samples"] = 0; }},
  };
  for (const auto& [what, spoil] : mistakes) {
    Json bad = good;
    spoil(bad);
    EXPECT_NE(refusal("predict", bad), "") << what;
  }
}

TEST(PredictSchema, HoldsForWhatTheCommandGives) {
  for (const char* gate : {"breadboard-or", "triode-latch"}) {
    const std::string out = (std::filesystem::temp_directory_path() / ("predict-" + std::to_string(getpid()) + ".json")).string();
    const std::string command = std::string(TH_PROGRAM) + " predict " + kRoot + "fixtures/emulated/spice/" + gate + ".yaml --samples 20 --quiet --json " + out;
    const int status = std::system(command.c_str());
    ASSERT_TRUE(WIFEXITED(status) && WEXITSTATUS(status) == 0) << command;
    std::ifstream in(out);
    Json document = Json::parse(in);
    std::filesystem::remove(out);
    EXPECT_EQ(refusal("prediction", document), "") << gate;
    document["outputs"][0]["states"][0].erase("window");
    EXPECT_NE(refusal("prediction", document), "") << "the schema takes anything";
  }
}

}  // namespace
}  // namespace tenterhook
