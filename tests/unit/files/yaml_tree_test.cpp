#include "host/files/yaml_tree.h"

#include <gtest/gtest.h>

#include "host/base/nearest.h"
#include "host/base/sha256.h"

namespace tenterhook::yaml {
namespace {

std::string refusal(const std::string& text) {
  const auto tree = parse("f.yaml", text);
  return tree ? "accepted" : tree.error().text();
}

TEST(YamlTree, KeepsOrderTextAndPlaces) {
  const auto tree = parse("f.yaml", "b: 0101\na: [x, 'y z']\nc: {k: v}\n");
  ASSERT_TRUE(tree.ok()) << tree.error().text();
  ASSERT_EQ(tree->entries.size(), 3u);
  EXPECT_EQ(tree->entries[0].key.text, "b");
  EXPECT_EQ(tree->entries[0].value.text, "0101");
  EXPECT_FALSE(tree->entries[0].value.quoted);
  const Node* list = tree->find("a");
  ASSERT_NE(list, nullptr);
  EXPECT_TRUE(list->items[1].quoted);
  EXPECT_EQ(list->items[1].place.text(), "f.yaml:2:8");
  EXPECT_EQ(tree->find("c")->find("k")->text, "v");
  EXPECT_EQ(tree->find("nothing"), nullptr);
}

TEST(YamlTree, CountsColumnsInCharacters) {
  EXPECT_EQ(refusal("say: {Ω: 1, µ: 2, µ: 3}\n"),
            "f.yaml:1:19: key 'µ' is here twice; first at line 1; keep one of them");
}

TEST(YamlTree, WordsOfOtherSchemasStayText) {
  const auto tree = parse("f.yaml", "a: yes\nb: 0x10\nc: 1_000\nd: 2026-11-25\ne: .5\n");
  ASSERT_TRUE(tree.ok());
  EXPECT_EQ(tree->find("a")->text, "yes");
  EXPECT_EQ(tree->find("b")->text, "0x10");
  EXPECT_EQ(tree->find("c")->text, "1_000");
}

TEST(YamlTree, BlocksOfTextAndCommentsAreRead) {
  const auto tree = parse("f.yaml", "# top\nabout: |\n  one\n  two\nb: 1  # after\n");
  ASSERT_TRUE(tree.ok()) << tree.error().text();
  EXPECT_EQ(tree->find("about")->text, "one\ntwo\n");
  EXPECT_EQ(tree->find("b")->text, "1");
}

TEST(YamlTree, CarriageReturnsAndByteOrderMarkAreNoContent) {
  const auto tree = parse("f.yaml",
                          "\xEF\xBB\xBF"
                          "a: 1\r\nb: 2\r\n");
  ASSERT_TRUE(tree.ok()) << tree.error().text();
  EXPECT_EQ(tree->find("b")->text, "2");
}

TEST(YamlTree, RefusesBytesThatAreNoText) {
  EXPECT_EQ(refusal("a: \xC3\n"), "f.yaml:1:4: byte 0xC3 is not UTF-8; save the file as UTF-8");
  EXPECT_EQ(refusal("é: \xED\xA0\x80\n"),
            "f.yaml:1:4: byte 0xED is not UTF-8; save the file as UTF-8");
  EXPECT_EQ(refusal(std::string("a: 1\0\n", 6)), "f.yaml:1:5: control character 0x00; remove it");
  EXPECT_EQ(refusal("a: 1\rb: 2\n"), "f.yaml:1:5: control character 0x0D; remove it");
}

TEST(YamlTree, ForgottenBracketIsToldWhereItOpened) {
  EXPECT_EQ(refusal("a:\n  - {b: 1\n  - {b: 2}\n"),
            "f.yaml:2:5: this '{' is not closed by '}'; close it, or check the brackets inside");
  EXPECT_EQ(refusal("a: {b: [1, 2}\n"),
            "f.yaml:1:8: this '[' is not closed by ']'; close it, or check the brackets inside");
}

TEST(YamlTree, LimitsHold) {
  Limits limits;
  limits.nodes = 4;
  limits.scalar = 3;
  limits.depth = 2;
  limits.bytes = 40;
  EXPECT_TRUE(parse("f", "a: [1]\n", limits).ok());
  EXPECT_FALSE(parse("f", "a: [1, 2]\n", limits).ok());
  EXPECT_FALSE(parse("f", "a: 1234\n", limits).ok());
  EXPECT_FALSE(parse("f", "a: [[1]]\n", limits).ok());
  EXPECT_FALSE(parse("f", std::string(41, '#'), limits).ok());
}

TEST(YamlTree, FieldsTellTheFirstKeyThatNobodyAskedFor) {
  const auto tree = parse("f.yaml", "a: 1\nbee: 2\n");
  ASSERT_TRUE(tree.ok());
  Fields fields(*tree);
  EXPECT_NE(fields.take("a"), nullptr);
  EXPECT_EQ(fields.take("bees"), nullptr);
  EXPECT_EQ(fields.done("a thing").error().text(),
            "f.yaml:2:1: a thing has no key 'bee'; did you mean 'bees'?");
  EXPECT_NE(fields.take("bee"), nullptr);
  EXPECT_TRUE(fields.done("a thing").ok());
}

TEST(YamlTree, FilesThatAreNoneAreInputTrouble) {
  EXPECT_EQ(load("no-such-file.yaml").error().trouble, Trouble::input);
  EXPECT_EQ(load("/dev/zero").error().text(), "/dev/zero: is not a file; name a file");
  EXPECT_EQ(load("/").error().text(), "/: is not a file; name a file");
}

// Source: FIPS 180-4 example messages (Secure Hash Standard, one block, two blocks, empty).
TEST(Sha256, PublishedMessages) {
  EXPECT_EQ(sha256("abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
  EXPECT_EQ(sha256("abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq"),
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1");
  EXPECT_EQ(sha256(""), "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
  EXPECT_EQ(sha256(std::string(1'000'000, 'a')),
            "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0");
}

TEST(NearestName, OneSlipIsFoundAndStrangersAreNot) {
  EXPECT_EQ(nearest_name("plat", {"bias", "plate"}), "plate");
  EXPECT_EQ(nearest_name("FO", {"F1", "F0"}), "F0");
  EXPECT_EQ(nearest_name("N9", {"N", "N2"}), "N2");
  EXPECT_EQ(nearest_name("setp", {"set", "step"}), "step");
  EXPECT_EQ(nearest_name("colour", {"set", "step"}), "");
  EXPECT_EQ(nearest_name("a", {"b", "A"}), "A");
  EXPECT_EQ(nearest_name(std::string(5000, 'a'), {"aaa"}), "");
}

}  // namespace
}  // namespace tenterhook::yaml
