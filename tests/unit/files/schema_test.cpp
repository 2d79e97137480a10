// The JSON Schemas and the reader refuse the same files for their structure.
#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>
#include <map>
#include <memory>
#include <nlohmann/json.hpp>
#include <regex>
#include <sstream>
#include <valijson/adapters/nlohmann_json_adapter.hpp>
#include <valijson/schema.hpp>
#include <valijson/schema_parser.hpp>
#include <valijson/validation_results.hpp>
#include <valijson/validator.hpp>

#include "host/files/yaml_tree.h"

namespace tenterhook::files {
namespace {

using Json = nlohmann::json;
const std::string kRoot = TH_SOURCE_DIR "/";

// As a YAML 1.2 reader types plain scalars: what an editor hands to the schema.
Json as_json(const yaml::Node& node) {
  if (node.is_list()) {
    Json list = Json::array();
    for (const yaml::Node& item : node.items) list.push_back(as_json(item));
    return list;
  }
  if (node.is_map()) {
    Json map = Json::object();
    for (const yaml::Node::Entry& entry : node.entries) map[entry.key.text] = as_json(entry.value);
    return map;
  }
  static const std::regex kInteger("[-+]?[0-9]{1,15}"),
      kNumber("[-+]?(\\.[0-9]+|[0-9]+(\\.[0-9]*)?)([eE][-+]?[0-9]+)?");
  if (node.quoted) return node.text;
  if (std::regex_match(node.text, kInteger)) return std::stoll(node.text);
  if (node.text.size() < 40 && std::regex_match(node.text, kNumber)) return std::stod(node.text);
  if (node.text == "true" || node.text == "false") return node.text == "true";
  return node.text;
}

const valijson::Schema& schema_for(const std::string& kind) {
  static std::map<std::string, std::unique_ptr<valijson::Schema>> schemas;
  auto& schema = schemas[kind];
  if (!schema) {
    std::ifstream in(kRoot + "docs/schemas/" + kind + ".schema.json");
    const Json document = Json::parse(in);
    EXPECT_EQ(document.at("$schema"), "http://json-schema.org/draft-07/schema#");
    schema = std::make_unique<valijson::Schema>();
    valijson::SchemaParser(valijson::SchemaParser::kDraft7)
        .populateSchema(valijson::adapters::NlohmannJsonAdapter(document), *schema);
  }
  return *schema;
}

// Empty when the schema accepts the file.
std::string refusal(const std::string& path, const std::string& kind) {
  const auto tree = yaml::load(path);
  if (!tree) return "syntax: " + tree.error().text();
  const Json document = as_json(*tree);
  valijson::ValidationResults results;
  valijson::Validator validator;
  if (validator.validate(schema_for(kind), valijson::adapters::NlohmannJsonAdapter(document),
                         &results))
    return {};
  std::string out = "refused";
  valijson::ValidationResults::Error error;
  while (results.popError(error)) out += "; " + error.description;
  return out;
}

TEST(Schemas, AcceptEveryGoodFileOfTheTree) {
  int files = 0;
  for (const char* folder : {"vectors", "tests/boards", "fixtures/mega2560"}) {
    for (const auto& entry : std::filesystem::recursive_directory_iterator(kRoot + folder)) {
      const std::string path = entry.path().string();
      if (entry.path().extension() != ".yaml") continue;
      const auto tree = yaml::load(path);
      ASSERT_TRUE(tree.ok()) << path;
      for (const char* kind : {"vectors", "board", "fixture", "machine", "gates"}) {
        if (tree->find(kind) == nullptr) continue;
        EXPECT_EQ(refusal(path, kind), "") << path;
        ++files;
        break;
      }
    }
  }
  EXPECT_GE(files, 20);
}

TEST(Schemas, AgreeWithTheReaderOnTheMalformedFiles) {
  std::ifstream table(kRoot + "tests/unit/files/malformed/expected.txt");
  int structure = 0, meaning = 0;
  for (std::string line; std::getline(table, line);) {
    if (line.empty() || line[0] == '#') continue;
    const std::string grade = line.substr(0, line.find(' '));
    const std::string rest = line.substr(grade.size() + 1);
    const std::string name = rest.substr(0, rest.find(".yaml") + 5);
    const std::string stem = name.substr(0, name.size() - 5);
    const std::string kind = stem.substr(stem.find('.') + 1);
    const std::string found = refusal(kRoot + "tests/unit/files/malformed/" + name, kind);
    if (grade == "syntax") {
      EXPECT_EQ(found.rfind("syntax", 0), 0u) << name << ": " << found;
    } else if (grade == "structure") {
      EXPECT_EQ(found.rfind("refused", 0), 0u)
          << name << ": the reader refuses it, the schema accepts it";
      ++structure;
    } else {
      EXPECT_EQ(grade, "meaning");
      EXPECT_EQ(found, "") << name << ": the schema refuses what only the reader can know";
      ++meaning;
    }
  }
  EXPECT_GE(structure, 40);
  EXPECT_GE(meaning, 40);
}

// Another reader may have typed bits 0101 as a number before the schema sees them.
TEST(Schemas, BitsMayArriveAsIntegers) {
  const auto accepts = [&](const Json& bits) {
    const Json document = {
        {"vectors", "v"}, {"board", "b.yaml"}, {"steps", {{{"set", {{"F", bits}}}}}}};
    valijson::Validator validator;
    return validator.validate(schema_for("vectors"),
                              valijson::adapters::NlohmannJsonAdapter(document), nullptr);
  };
  EXPECT_TRUE(accepts("0101"));
  EXPECT_TRUE(accepts(101));
  EXPECT_TRUE(accepts(65));
  EXPECT_TRUE(accepts("hex 1A"));
  EXPECT_FALSE(accepts("up"));
  EXPECT_FALSE(accepts(1.5));
  EXPECT_FALSE(accepts(true));
}

}  // namespace
}  // namespace tenterhook::files
