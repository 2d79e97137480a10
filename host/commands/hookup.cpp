#include "host/commands/hookup.h"

#include <fmt/format.h>
#include <unistd.h>

#include <cstdio>
#include <nlohmann/json.hpp>

#include "host/commands/bench.h"
#include "host/commands/keys.h"
#include "host/commands/output.h"
#include "host/commands/recorded.h"
#include "host/measure/nominal.h"
#include "host/measure/uncertainty.h"
#include "host/plan/program.h"
#include "host/report/screen.h"

namespace tenterhook::commands {

namespace {

constexpr int kLookMs = 250;
constexpr int kLooksToPlace = 2;

struct Lead {
  std::string line;
  files::Channel channel;
  std::string where;  // what it is soldered or clipped to, in words
  bool walked = false;    // in place, or the person said so
  bool confirmed = false; // touched to the post, then found on something
  std::optional<LeadAt> seen;  // at the last look; sense leads
};

std::vector<Lead> leads_of(const plan::Plan& plan) {
  std::vector<Lead> leads;
  for (const plan::RailPlan& rail : plan.rails) {
    leads.push_back({rail.rail.name, {"rail", rail.channel}, fmt::format("rail {}, {}", rail.rail.name, text(rail.rail.nominal)), false, false, {}});
  }
  for (const files::Line& line : plan.vectors.board.lines) {
    for (const std::string& key : {line.name, line.name + " sense"}) {
      const auto found = plan.hookup.find(key);
      if (found == plan.hookup.end()) continue;
      leads.push_back({line.name, found->second, fmt::format("line {}{}{}", line.name, line.say.empty() ? "" : ", ", line.say), false, false, {}});
    }
  }
  return leads;
}

Status write_json(const std::string& path, const plan::Plan& plan, const std::vector<Lead>& leads, bool walked) {
  nlohmann::json list = nlohmann::json::array();
  for (const Lead& lead : leads) {
    nlohmann::json entry = {{"line", lead.line}, {"channel", lead.channel.text()}};
    if (walked) {
      entry["walked"] = lead.walked;
      entry["confirmed"] = lead.confirmed;
      if (lead.seen) entry["free"] = *lead.seen == LeadAt::nothing;
    }
    list.push_back(entry);
  }
  return write_text(path, nlohmann::json{{"board", plan.vectors.board.name},
                                         {"fixture", plan.fixture.name},
                                         {"leads", list},
                                         {"wiring", plan.wiring},
                                         {"warnings", plan.warnings}}.dump(2) + "\n");
}

void print_list(const plan::Plan& plan) {
  fmt::print("{} on fixture {}\n\n", plan.vectors.board.name, plan.fixture.name);
  for (const std::string& lead : plan.wiring) fmt::print("{}\n", lead);
  for (const std::string& warning : plan.warnings) fmt::print(stderr, "warning: {}\n", warning);
}

// Reads one sense lead, unpowered.
struct Looked {
  LeadAt at = LeadAt::unclear;
  Volts plain{}, pulled{};
};
Result<Looked> look_at(link::Session& session, const plan::Plan& plan, int sense) {
  auto bytes = plan::encode(plan::contact_step(plan, sense));
  TH_TRY(bytes);
  const measure::ChannelModel model = measure::nominal_sense(plan.fixture);
  Looked looked;
  Volts U{};
  link::Sink sink;
  sink.sample = [&](const link::SampleBlock& block) {
    for (const link::ChannelSample& c : block.channels) {
      const auto estimate = measure::estimate(c.counts, model);
      (block.index == 0 ? looked.plain : looked.pulled) = estimate.volts;
      U = std::max(U, estimate.U);
    }
  };
  auto report = session.execute(*bytes, sink);
  TH_TRY(report);
  if (report->fault) return fixture_error(report->fault->where, report->fault->text, report->fault->remedy);
  looked.at = lead_at(looked.plain, looked.pulled, U, plan.fixture.sense.open_reads, plan.fixture.sense.divider);
  return looked;
}

// One live line: what it reads, and what to do next.
std::string say(const Looked& looked, LeadWalk::State state, const Lead& lead) {
  const std::string reads = fmt::format("{:+.2f} V, pulled {:+.2f} V: ", looked.plain.value, looked.pulled.value);
  switch (state) {
    case LeadWalk::State::unknown:
      return reads + (looked.at == LeadAt::unclear ? "hardly on anything; space keeps it" : "on something; space keeps it");
    case LeadWalk::State::free: return reads + "hangs free; touch the 0 V post";
    case LeadWalk::State::touching: return reads + "that is the lead; now onto " + lead.line;
    case LeadWalk::State::known: return reads + "known; now onto " + lead.line;
    case LeadWalk::State::placed: return reads + "in place";
  }
  return reads;
}

enum class Move { on, back, leave };

// Stays at one lead until it is in place or the person moves on.
Result<Move> walk_lead(link::Session& session, const plan::Plan& plan, Lead& lead, std::size_t number, std::size_t of,
                       const report::Screen& screen) {
  const bool sensed = lead.channel.kind == "sense";
  LeadWalk walk;
  fmt::print("\n{} of {}   {}   to {}\n", number, of, screen.paint(report::Paint::strong, lead.channel.text()), lead.where);
  if (!sensed) fmt::print("  put it on, then space (what it gives shows only under power)\n");
  for (;;) {
    if (person_cancels().requested()) return Move::leave;
    if (sensed) {
      auto looked = look_at(session, plan, lead.channel.index);
      TH_TRY(looked);
      walk.look(looked->at);
      lead.seen = looked->at;
      fmt::print("\r\x1b[K{}", report::cut("  " + say(*looked, walk.state(), lead), screen.width - 1));
      std::fflush(stdout);
      lead.confirmed = walk.state() == LeadWalk::State::placed;
      if (lead.confirmed) {
        lead.walked = true;
        fmt::print("\n");
        return Move::on;
      }
    } else {
      auto idled = session.idle(Seconds{0.05});
      TH_TRY(idled);
    }
    const Press press = next_key(kLookMs);
    if (press.key == Key::end) return Move::leave;
    if (press.key != Key::character) continue;
    // The live line of a sense lead stays as it was last.
    if (sensed && (press.character == 'q' || press.character == 'b' || press.character == ' ')) fmt::print("\n");
    if (press.character == 'q') return Move::leave;
    if (press.character == 'b') return Move::back;
    if (press.character == ' ') {
      lead.walked = true;
      return Move::on;
    }
  }
}

Status walk_all(link::Session& session, const plan::Plan& plan, std::vector<Lead>& leads) {
  const report::Screen screen = report::screen_of(stdout_descriptor());
  fmt::print("{}\n",
             report::wrapped("Nothing is powered during the walk, and nothing may be: supplies off. Each sense lead is touched to "
                             "the 0 V post first, so that it is known to be the one in your hand.",
                             screen.width, 0));
  fmt::print("space next   b back   q leave\n");
  KeyMode keys;
  std::size_t at = 0;
  while (at < leads.size()) {
    auto move = walk_lead(session, plan, leads[at], at + 1, leads.size(), screen);
    TH_TRY(move);
    if (*move == Move::leave) break;
    if (*move == Move::on) ++at;
    if (*move == Move::back && at > 0) --at;
  }
  std::size_t walked = 0, proven = 0, sensed = 0;
  std::string kept, loose;
  for (const Lead& lead : leads) {
    walked += lead.walked;
    if (lead.channel.kind != "sense") continue;
    ++sensed;
    proven += lead.confirmed;
    if (lead.confirmed || !lead.seen) continue;
    (*lead.seen == LeadAt::nothing ? loose : kept) += " " + lead.line;
  }
  std::string summary = fmt::format("{} of {} leads done; {} of {} sense leads proven.", walked, leads.size(), proven, sensed);
  if (!kept.empty()) summary += fmt::format(" On something, not known to be the right one:{}.", kept);
  if (!loose.empty()) summary += fmt::format(" Hanging free:{}.", loose);
  fmt::print("\n{}\n", report::wrapped(summary, screen.width, 0));
  return {};
}

}  // namespace

LeadAt lead_at(Volts plain, Volts pulled, Volts U, Volts open_reads, Ohms divider) {
  const measure::Contact contact = measure::contact_of(plain, pulled, U, open_reads, divider);
  if (contact == measure::Contact::open) return LeadAt::nothing;
  if (contact == measure::Contact::unknown) return LeadAt::unclear;
  return abs(plain) <= U && abs(pulled) <= U ? LeadAt::ground : LeadAt::board;
}

void LeadWalk::look(LeadAt at) {
  on_board_ = at == LeadAt::board || at == LeadAt::ground || at == LeadAt::unclear ? on_board_ + 1 : 0;
  switch (state_) {
    case State::unknown:
      if (at == LeadAt::nothing) state_ = State::free;
      break;
    case State::free:
      if (at == LeadAt::ground) state_ = State::touching;
      break;
    case State::touching:
      if (at != LeadAt::ground) {
        state_ = State::known;
        on_board_ = at == LeadAt::nothing ? 0 : 1;
      }
      break;
    case State::known:
      if (on_board_ >= kLooksToPlace) state_ = State::placed;
      break;
    case State::placed:
      break;
  }
}

int hookup(const HookupOptions& options) {
  auto vectors = read_any(options.board);
  if (!vectors) return tell(vectors.error());
  BenchOptions bench_options = options.bench;
  if (bench_options.fixture.empty()) bench_options.fixture = "emulated";  // the built-in description; nothing is opened
  auto fixture = describe_fixture(bench_options);
  if (!fixture) return tell(fixture.error());
  auto plan = plan::make_plan(vectors.take(), fixture.take(), {});
  if (!plan) return tell(plan.error());
  std::vector<Lead> leads = leads_of(*plan);
  if (options.bench.json != "-" && !options.bench.quiet) print_list(*plan);

  const bool walk = !options.bench.fixture.empty() && options.bench.json != "-" && isatty(STDIN_FILENO) && isatty(STDOUT_FILENO);
  if (walk) {
    auto bench = open_bench(options.bench, *plan, person_cancels());
    if (!bench) return tell(bench.error());
    if (auto walked = walk_all(*bench->session, *plan, leads); !walked) return tell(walked.error());
  }
  if (!options.bench.json.empty()) {
    if (auto written = write_json(options.bench.json, *plan, leads, walk); !written) return tell(written.error());
  }
  return kExitPass;
}

}  // namespace tenterhook::commands
