#include "host/circuit/patterns.h"

#include <gtest/gtest.h>

#include <numeric>

#include "host/circuit/bench.h"
#include "host/circuit/machines.h"
#include "tests/unit/circuit/boards.h"
#include "tests/unit/circuit/random_circuit.h"

namespace tenterhook::circuit::testing {
namespace {

Netlist from_bench(const std::string& text) {
  return build_netlist(parse_bench("t.bench", text).take()).take();
}

TEST(Patterns, KeepTheirBitsAcrossBlocks) {
  Patterns p(3);
  for (int i = 0; i < 600; ++i) p.add({(i & 1) != 0, (i & 2) != 0, i == 511});
  EXPECT_EQ(p.blocks(), 3u);
  for (std::size_t i = 0; i < 600; ++i)
    EXPECT_EQ(p.pattern(i), (std::vector<bool>{(i & 1) != 0, (i & 2) != 0, i == 511}));
  EXPECT_TRUE(test(p.lanes_used(2), 87));
  EXPECT_FALSE(test(p.lanes_used(2), 88));
  EXPECT_TRUE(test(p.lanes_used(0), 255));
}

// Every fault of random circuits, every lane: the fast method against plain re-simulation, and both
// against the three-valued machines, which share no evaluation code with them.
TEST(PatternSimulator, AgreesWithResimulationAndWithTheMachines) {
  for (unsigned seed = 1; seed <= 40; ++seed) {
    const Netlist n = from_bench(random_bench(seed, 6, 40));
    ASSERT_TRUE(n.combinational());
    const FaultList list = stuck_at_faults(n);
    Patterns patterns(n.inputs.size());
    patterns.add_random(100, seed);
    PatternSimulator fast(n);
    fast.load(patterns.block(0));
    std::vector<std::uint32_t> all(list.uncollapsed.size());
    std::iota(all.begin(), all.end(), 0u);
    std::vector<Word> seen;
    fast.detect(list.uncollapsed, all, seen);
    std::vector<Word> slow;
    for (const Fault& f : list.uncollapsed) slow.push_back(fast.resimulate(f));
    for (std::size_t i = 0; i < all.size(); ++i)
      EXPECT_FALSE(any(seen[i] ^ slow[i]))
          << "seed " << seed << ' ' << n.label(list.uncollapsed[i].at);
    Machines machines(n);
    for (std::size_t i = 0; i < all.size() && i < kLanes - 1; ++i)
      machines.inject(i + 1, list.uncollapsed[i]);
    for (std::size_t k = 0; k < 20; ++k) {
      for (std::size_t i = 0; i < n.inputs.size(); ++i)
        machines.set(i, patterns.get(k, i) ? Bit::one : Bit::zero);
      machines.settle();
      for (std::size_t i = 0; i < all.size() && i < kLanes - 1; ++i) {
        bool differs = false;
        for (std::size_t o = 0; o < n.outputs.size(); ++o)
          differs |= machines.read_output(o, 0) != machines.read_output(o, i + 1);
        ASSERT_EQ(differs, test(seen[i], k))
            << "seed " << seed << ' ' << n.label(list.uncollapsed[i].at);
      }
    }
  }
}

// Faults of one class must be seen by the same patterns: a wrong merge would show here.
TEST(PatternSimulator, ClassesAreEquivalent) {
  for (unsigned seed = 100; seed <= 130; ++seed) {
    const Netlist n = from_bench(random_bench(seed, 8, 60));
    const FaultList list = stuck_at_faults(n);
    Patterns patterns(n.inputs.size());
    for (unsigned m = 0; m < 256; ++m) {
      std::vector<bool> p;
      for (int i = 0; i < 8; ++i) p.push_back(((m >> i) & 1u) != 0);
      patterns.add(p);
    }
    PatternSimulator fast(n);
    fast.load(patterns.block(0));
    std::vector<std::uint32_t> all(list.uncollapsed.size());
    std::iota(all.begin(), all.end(), 0u);
    std::vector<Word> seen;
    fast.detect(list.uncollapsed, all, seen);
    std::vector<Word> of_class(list.representatives.size());
    std::vector<bool> known(list.representatives.size());
    for (std::size_t i = 0; i < all.size(); ++i) {
      const std::size_t c = list.class_of[i];
      if (known[c]) {
        EXPECT_FALSE(any(of_class[c] ^ seen[i])) << n.label(list.uncollapsed[i].at);
      }
      known[c] = true;
      of_class[c] = seen[i];
    }
  }
}

TEST(PatternSimulator, TablesAndInvertedPins) {
  BoardMaker b;
  b.in({"A", "B", "C"}).out({"Y", "Z", "W"});
  Gate& g = b.gate("table", {"A", "not B", "C"}, "Y");
  g.outputs.push_back("Z");
  g.table = {"000 00", "001 01", "01x 10", "10x 11", "11x 01"};
  b.gate("xor", {"Y", "Z", "A"}, "W");
  const Netlist n = build_netlist(b.board).take();
  ASSERT_TRUE(n.combinational());
  const FaultList list = stuck_at_faults(n);
  Patterns p(3);
  for (unsigned m = 0; m < 8; ++m) p.add({(m & 4) != 0, (m & 2) != 0, (m & 1) != 0});
  PatternSimulator fast(n);
  fast.load(p.block(0));
  std::vector<std::uint32_t> all(list.uncollapsed.size());
  std::iota(all.begin(), all.end(), 0u);
  std::vector<Word> seen;
  fast.detect(list.uncollapsed, all, seen);
  for (std::size_t i = 0; i < all.size(); ++i)
    EXPECT_FALSE(any((seen[i] ^ fast.resimulate(list.uncollapsed[i])) & p.lanes_used(0)))
        << n.label(list.uncollapsed[i].at);
}

TEST(FirstDetections, MultiplierIsFullyTestedByRandomPatterns) {
  const Netlist n = from_bench(multiplier_bench(6));
  const FaultList list = stuck_at_faults(n);
  Patterns patterns(n.inputs.size());
  patterns.add_random(2000, 3);
  const std::vector<std::int64_t> first = first_detections(n, list.representatives, patterns);
  PatternSimulator check(n);
  std::size_t missed = 0;
  for (std::size_t i = 0; i < first.size(); ++i) {
    if (first[i] < 0) {
      ++missed;
      continue;
    }
    check.load(patterns.block(static_cast<std::size_t>(first[i]) / kLanes));
    EXPECT_TRUE(test(check.resimulate(list.representatives[i]),
                     static_cast<std::size_t>(first[i]) % kLanes));
  }
  EXPECT_LE(missed, first.size() / 50);
}

// The circuit of the benchmarks must really multiply.
TEST(RandomCircuit, MultiplierMultiplies) {
  const Netlist n = from_bench(multiplier_bench(5));
  Machines m(n);
  for (const auto& [a, b] : {std::pair{3u, 7u}, {31u, 31u}, {0u, 9u}, {21u, 26u}}) {
    for (std::size_t i = 0; i < n.inputs.size(); ++i) {
      const unsigned number = n.inputs[i].line[0] == 'a' ? a : b;
      m.set(i, ((number >> (n.inputs[i].line[1] - '0')) & 1u) != 0 ? Bit::one : Bit::zero);
    }
    m.settle();
    unsigned product = 0;
    for (std::size_t o = 0; o < n.outputs.size(); ++o)
      product |= (m.read_output(o, 0) == Bit::one ? 1u : 0u) << o;
    EXPECT_EQ(product, a * b);
  }
}

}  // namespace
}  // namespace tenterhook::circuit::testing
