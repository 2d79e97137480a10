// Files made to exhaust the reader: each is refused (or read) in bounded time and memory.
#include <gtest/gtest.h>
#include <sys/resource.h>

#include <chrono>
#include <filesystem>
#include <fstream>
#include <functional>

#include "host/files/reader.h"
#include "host/files/yaml_tree.h"
#include "tests/processor_clock.h"

namespace tenterhook::files {
namespace {

// Sanitizers slow everything tenfold and keep freed memory to catch its use.
#if defined(__SANITIZE_ADDRESS__)
constexpr double kMostSeconds = 20.0;
constexpr long kMostKibibytes = 4'000'000;
#else
constexpr double kMostSeconds = 2.0;      // on a slow, shared machine; each takes a fraction of it
constexpr long kMostKibibytes = 400'000;  // peak of the whole test program
#endif

const std::string kHead =
    "board: b\nrails: {p: {nominal: 30 V, window: 5 %, limit: 1 A}}\n"
    "families: {f: {drive: {low: ground, high: p}, needs: {low: [-1 V, 8 V], high: [20 V, 32 "
    "V]}}}\n";

void expect_refused(const std::string& what, const std::string& text) {
  const auto start = ProcessorClock::now();
  const auto read = parse_vectors("hostile.yaml", text);
  const std::chrono::duration<double> took = ProcessorClock::now() - start;
  EXPECT_FALSE(read.ok()) << what;
  if (!read.ok()) {
    EXPECT_EQ(read.error().trouble, Trouble::input) << what;
    EXPECT_LT(read.error().text().size(), 600u) << what;
  }
  EXPECT_LT(took.count(), kMostSeconds) << what;
  rusage usage{};
  getrusage(RUSAGE_SELF, &usage);
  EXPECT_LT(usage.ru_maxrss, kMostKibibytes) << what;
}

std::string repeated(const std::string& piece, int times) {
  std::string out;
  out.reserve(piece.size() * static_cast<std::size_t>(times));
  for (int i = 0; i < times; ++i) out += piece;
  return out;
}

TEST(Hostile, DeepNesting) {
  for (const char* open : {"[", "{", "{a: ", "- ", "? ", "\n- "})
    expect_refused(open, "a: " + repeated(open, 100'000));
  expect_refused("closed", "a: " + repeated("[", 3000) + repeated("]", 3000));
  std::string stairs = "a:\n";
  for (int i = 1; i < 1200; ++i) stairs += std::string(static_cast<std::size_t>(i), ' ') + "a:\n";
  expect_refused("stairs", stairs);
}

TEST(Hostile, AliasBomb) {
  std::string bomb = "a0: &a0 [x, x]\n";
  for (int i = 1; i < 40; ++i) {
    const std::string last = std::to_string(i - 1), now = std::to_string(i);
    bomb += "a" + now + ": &a" + now + " [*a" + last + ", *a" + last + "]\n";
  }
  expect_refused("bomb", bomb);
}

TEST(Hostile, ManyEntriesKeysAndLines) {
  expect_refused("list", "a: [" + repeated("1,", 1'500'000) + "1]\n");
  std::string keys = "a: {";
  for (int i = 0; i < 150'000; ++i) keys += "k" + std::to_string(i) + ": 1, ";
  expect_refused("keys", keys + "z: 1}\n");
  expect_refused("blank lines", repeated("\n", 3'000'000) + "a: 1\n");
  expect_refused("one long line", "a: " + std::string(3'900'000, 'x') + "\n");
  expect_refused("long key", std::string(2'000'000, 'k') + ": 1\n");
  expect_refused("spaces", "a:" + std::string(3'900'000, ' ') + "b\n");
  expect_refused("quotes", "a: \"" + repeated("\\x", 1'900'000) + "\"\n");
  expect_refused("indicators", repeated("{[", 1000) + repeated(",", 100'000));
}

TEST(Hostile, EveryBlowsUp) {
  const std::string lines =
      "lines: {A127..A0: {in: f}, B15..B0: {in: f}, C15..C0: {in: f}, Y: {out: f}}\n";
  expect_refused("2^128", kHead + lines + "steps: [{every: {A: all}}]\n");
  expect_refused("2^32", kHead + lines + "steps: [{every: {B: all, C: all}}]\n");
  expect_refused(
      "random",
      kHead + lines +
          "steps: [{every: {A: {random: 100000, seed: 1}, B: {random: 100000, seed: 1}}}]\n");
  expect_refused("wide random",
                 kHead + lines + "steps: [{every: {A: {random: 100000, seed: 1}}}]\n");
  expect_refused("many steps",
                 kHead + lines + "steps:\n" + repeated("  - {every: {B: all}}\n", 1000));
  expect_refused(
      "repeat", kHead + lines + "steps:\n" + repeated("  - {set: {A: z}, repeat: 100000}\n", 1000));
  expect_refused("counts",
                 kHead + lines + "steps: [{set: {B: dec " + std::string(10'000, '9') + "}}]\n");
}

TEST(Hostile, WhatEveryStepCarriesBlowsUp) {
  const std::string lines = "lines: {A: {in: f}, CK: {clock: f}, Y: {out: f}}\n";
  const std::string again = ", repeat: 100000}]\n";
  const std::string step = kHead + lines + "steps: [{set: {A: 0}, ";
  expect_refused("pulses", step + "pulse: [" + repeated("CK, ", 200'000) + "CK]" + again);
  expect_refused("measure", step + "measure: [" + repeated("Y, ", 200'000) + "Y]" + again);
  expect_refused("say", step + "say: " + std::string(16'000, 's') + again);
  const std::string name(10'000, 'n');
  expect_refused("names", kHead + "lines: {" + name + ": {in: f}}\nsteps: [{every: {" + name +
                              ": {random: 100000, seed: 1}}}]\n");
  expect_refused("exponent",
                 "board: b\nrails: {p: {nominal: 1e2147483647 kV, window: 5 %, limit: 1 A}}\n");
}

TEST(Hostile, CircuitBlowsUp) {
  std::string gates =
      kHead + "lines: {A: {in: f}, Y: {out: f}}\ncircuit:\n  - {gate: buf, in: A, out: Y}\n";
  for (int i = 0; i < 300; ++i)
    gates += "  - {each: 0..127, gate: buf, in: A, out: n" + std::to_string(i) + "_%}\n";
  expect_refused("gates", gates);
  // Each gate uses the one before it twice: 2^40 gates, or a use of itself.
  std::string tower = kHead +
                      "lines: {A: {in: f}, Y: {out: f}}\ngates:\n  g0: {in: [A], out: [Y], "
                      "circuit: [{gate: buf, in: A, out: Y}]}\n";
  for (int i = 1; i < 40; ++i) {
    const std::string below = "g" + std::to_string(i - 1);
    tower += "  g" + std::to_string(i) + ": {in: [A], out: [Y], circuit: [{gate: " + below +
             ", name: a, in: [A], out: [m]}, {gate: " + below + ", name: b, in: [m], out: [Y]}]}\n";
  }
  expect_refused("tower", tower + "circuit: [{gate: g39, name: t, in: [A], out: [Y]}]\n");
  expect_refused("itself", kHead +
                               "lines: {A: {in: f}, Y: {out: f}}\ngates:\n  me: {in: [A], out: "
                               "[Y], circuit: [{gate: me, name: i, in: [A], out: [Y]}]}\n"
                               "circuit: [{gate: me, name: t, in: [A], out: [Y]}]\n");
  expect_refused(
      "lines", kHead + "lines:\n" + [] {
        std::string many;
        for (int i = 0; i < 2000; ++i) many += "  L" + std::to_string(i) + "x: {in: f}\n";
        return many;
      }());
}

TEST(Hostile, NestedFanOutOfLibraryGatesStopsAtTheLimit) {
  // Within the depth limit, 128 uses of 128 uses of 128 gates would be 2 million.
  const std::string text = kHead +
                           "lines: {A: {in: f}, Y: {out: f}}\ngates:\n"
                           "  one: {in: [A], out: [Y], circuit: [{each: 0..127, gate: buf, in: A, "
                           "out: n%}, {gate: buf, in: n0, out: Y}]}\n"
                           "  two: {in: [A], out: [Y], circuit: [{each: 0..127, gate: one, name: "
                           "u%, in: [A], out: [m%]}, {gate: buf, in: m0, out: Y}]}\n"
                           "  three: {in: [A], out: [Y], circuit: [{each: 0..127, gate: two, name: "
                           "u%, in: [A], out: [m%]}, {gate: buf, in: m0, out: Y}]}\n"
                           "circuit: [{gate: three, name: t, in: [A], out: [Y]}]\n";
  expect_refused("fan-out", text);
}

TEST(Hostile, HugeFileIsRefusedWithoutReadingItWhole) {
  const auto path = std::filesystem::temp_directory_path() / "tenterhook-hostile-size.yaml";
  {
    std::ofstream out(path, std::ios::binary);
    out << "board: b\n";
    out.seekp(100 * 1024 * 1024);
    out << "\n";
  }
  const auto start = ProcessorClock::now();
  const auto read = read_board(path.string());
  const std::chrono::duration<double> took = ProcessorClock::now() - start;
  std::filesystem::remove(path);
  ASSERT_FALSE(read.ok());
  EXPECT_NE(read.error().what.find("larger than"), std::string::npos);
  EXPECT_LT(took.count(), 0.2);
}

TEST(Hostile, EveryPrefixOfAGoodFileIsAnsweredWithoutHarm) {
  const auto text = yaml::read_text(TH_SOURCE_DIR "/vectors/shed-latch/board.yaml");
  ASSERT_TRUE(text.ok());
  for (std::size_t length = 0; length < text->size(); ++length) {
    const auto read = parse_board("prefix.yaml", text->substr(0, length));
    EXPECT_TRUE(read.ok() || read.error().trouble == Trouble::input) << length;
  }
}

TEST(Hostile, EveryChangedByteIsAnsweredWithoutHarm) {
  const auto text = yaml::read_text(TH_SOURCE_DIR "/vectors/or-follower/board.yaml");
  ASSERT_TRUE(text.ok());
  for (const char put : {'\0', '\n', '\t', ' ', ':', ',', '[', '}', '"', '%', '&', '*', '!', '#',
                         '-', '9', '\xC3'}) {
    for (std::size_t at = 0; at < text->size(); at += 3) {
      std::string changed = *text;
      changed[at] = put;
      const auto read = parse_vectors("changed.yaml", changed);
      EXPECT_TRUE(read.ok() || read.error().trouble == Trouble::input) << at;
    }
  }
}

}  // namespace
}  // namespace tenterhook::files
