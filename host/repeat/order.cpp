#include "host/repeat/order.h"

#include <fmt/format.h>

#include <algorithm>
#include <map>
#include <numeric>
#include <optional>

#include "host/circuit/simulator.h"

namespace tenterhook::repeat {

namespace {

using files::Bit;
using files::LineKind;

// splitmix64: the generator of the files' own random patterns.
class Random {
 public:
  explicit Random(std::uint64_t seed) : state_(seed) {}
  std::uint64_t below(std::uint64_t n) {
    state_ += 0x9E3779B97F4A7C15u;
    std::uint64_t z = state_;
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
    return (z ^ (z >> 31)) % n;
  }

 private:
  std::uint64_t state_;
};

std::vector<std::string> nets_of(const files::Board& board, const circuit::Simulator& model) {
  std::vector<std::string> nets;
  for (const files::Line& line : board.lines) nets.push_back(line.name);
  for (const files::Gate& gate : board.circuit) {
    nets.insert(nets.end(), gate.outputs.begin(), gate.outputs.end());
    if (!gate.inverse.empty()) nets.push_back(gate.inverse);
  }
  std::erase_if(nets, [&](const std::string& net) { return !model.has_net(net); });
  std::sort(nets.begin(), nets.end());
  nets.erase(std::unique(nets.begin(), nets.end()), nets.end());
  return nets;
}

Result<std::vector<Bit>> state_of(const circuit::Simulator& model, const std::vector<std::string>& nets) {
  std::vector<Bit> state;
  for (const std::string& net : nets) {
    auto bit = model.read(net);
    TH_TRY(bit);
    state.push_back(*bit);
  }
  return state;
}

// The first step of every block: those that bring the board to where it is in the file's order from anywhere.
Result<std::vector<int>> find_starts(const files::Vectors& vectors) {
  const files::Board& board = vectors.board;
  auto file = circuit::Simulator::make(board);
  TH_TRY(file);
  auto anywhere = circuit::Simulator::make(board);
  TH_TRY(anywhere);
  const std::vector<std::string> nets = nets_of(board, *file);
  std::vector<std::pair<std::string, Bit>> unknown;
  std::map<std::string, Bit> lines;
  for (const files::Line& line : board.lines) {
    if (line.kind == LineKind::input) {
      unknown.emplace_back(line.name, Bit::any);
      lines[line.name] = line.rest;
    }
  }
  file->power_up();
  std::vector<int> starts{0};
  for (std::size_t i = 0; i < vectors.steps.size(); ++i) {
    files::Step step = vectors.steps[i];
    TH_TRY(file->step(step));
    for (const auto& [name, bit] : step.set) lines[name] = bit;
    if (i == 0) continue;
    step.set.assign(lines.begin(), lines.end());
    anywhere->power_up();
    TH_TRY(anywhere->set(unknown));
    TH_TRY(anywhere->step(step));
    auto there = state_of(*file, nets);
    TH_TRY(there);
    auto here = state_of(*anywhere, nets);
    TH_TRY(here);
    // Unknown in both is no state to rely on: something here is not yet initialised.
    const bool known = std::find(here->begin(), here->end(), Bit::any) == here->end();
    if (known && *there == *here) starts.push_back(static_cast<int>(i));
  }
  return starts;
}

}  // namespace

Result<Order> order_of(const files::Vectors& vectors, int passes, std::uint64_t seed) {
  const long steps = static_cast<long>(vectors.steps.size());
  if (passes < 1 || passes > kPassesMost || steps * passes > kStepsMost) {
    return input_error("--repeat", fmt::format("{} passes of {} steps are more than one record takes", passes, steps),
                       fmt::format("at most {} passes and {} steps in all; a shorter vectors file, or several runs", kPassesMost, kStepsMost));
  }
  Order order;
  order.starts = {0};
  const files::Board& board = vectors.board;
  const bool two_way = std::any_of(board.lines.begin(), board.lines.end(), [](const auto& l) { return l.kind == LineKind::both; });
  if (board.circuit.empty()) {
    order.why = "in the file's order each time: the board's file gives no circuit, so nobody knows what it remembers";
  } else if (two_way) {
    order.why = "in the file's order each time: its two-way lines must be let go of in time";
  } else {
    auto starts = find_starts(vectors);
    TH_TRY(starts);
    order.starts = starts.take();
    order.varied = order.starts.size() > 1 && passes > 1;
    order.why = order.starts.size() > 1
                    ? fmt::format("in varied order: {} blocks that may follow each other in any order", order.starts.size())
                    : "in the file's order each time: the board's state at every step depends on the steps before it";
  }
  std::vector<int> blocks(order.starts.size());
  std::iota(blocks.begin(), blocks.end(), 0);
  Random random(seed);
  for (int pass = 0; pass < passes; ++pass) {
    order.passes.push_back(blocks);
    for (std::size_t i = blocks.size(); i > 1; --i) std::swap(blocks[i - 1], blocks[random.below(i)]);
  }
  return order;
}

std::vector<int> steps_in_order(const Order& order, int steps) {
  std::vector<int> all;
  for (const std::vector<int>& pass : order.passes) {
    for (const int block : pass) {
      const auto at = static_cast<std::size_t>(block);
      const int end = at + 1 < order.starts.size() ? order.starts[at + 1] : steps;
      for (int step = order.starts[at]; step < end; ++step) all.push_back(step);
    }
  }
  return all;
}

}  // namespace tenterhook::repeat
