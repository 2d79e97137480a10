#include "host/commands/diagnose.h"

#include <fmt/format.h>

#include <unistd.h>

#include <cctype>
#include <cmath>
#include <cstdio>
#include <fstream>
#include <nlohmann/json.hpp>
#include <optional>

#include "host/commands/output.h"
#include "host/commands/recorded.h"
#include "host/commands/review.h"
#include "host/commands/touching.h"
#include "host/diagnose/diagnose.h"

namespace tenterhook::commands {
namespace {

using nlohmann::ordered_json;

// Rounded down, so that the sum never exceeds 1.
double rounded(double p) {
  return std::floor(p * 1e4) / 1e4;
}

std::string names_of(const std::vector<std::string>& parts) {
  std::string text;
  for (const std::string& part : parts) text += (text.empty() ? "" : ", ") + part;
  return text.empty() ? "wiring" : text;
}

// What the record knows beside the run: the board's last good run before it, on the same fixture and with
// the same vectors (one with part tests rather than one without), and how often parts were replaced.
struct Beside {
  std::optional<record::RunRecord> baseline;
  diagnose::Known known;
};
constexpr int kGoodRunsLooked = 20;

Result<std::unique_ptr<Beside>> beside(const std::string& path, const record::RunRecord& run) {
  auto found = std::make_unique<Beside>();
  auto store = open_store_to_read(path);
  TH_TRY(store);
  record::HistoryFilter filter;
  filter.board = run.board;
  filter.board_serial = run.board_serial;
  filter.exact_serial = true;
  filter.before = run.started;
  filter.verdict = measure::Verdict::pass;
  filter.limit = kGoodRunsLooked;
  auto good = store->history(filter);
  TH_TRY(good);
  for (const record::RunSummary& summary : good->runs) {
    if (summary.vectors != run.vectors || summary.kind != run.kind) continue;
    auto earlier = store->load(summary.number);
    TH_TRY(earlier);
    if (earlier->fixture_serial != run.fixture_serial) continue;
    const bool tested = earlier->sections.count("part_tests") != 0;
    if (!found->baseline || tested) found->baseline = earlier.take();
    if (tested) break;
  }
  if (found->baseline) found->known.baseline = &*found->baseline;
  auto places = store->place_history(run.board);
  TH_TRY(places);
  for (const record::PlaceHistory& place : *places)
    if (place.swaps > 0) found->known.found_bad[place.part] = place.swaps;
  return found;
}

std::string json_of(const record::RunRecord& run, const diagnose::Diagnosis& d,
                    const std::vector<diagnose::Touched>& touched, const Beside& beside) {
  ordered_json suspects = ordered_json::array();
  for (const diagnose::Suspect& s : d.suspects)
    suspects.push_back({{"parts", s.parts},
                        {"net", s.net},
                        {"fault", s.fault},
                        {"probability", rounded(s.probability)},
                        {"group", s.group},
                        {"why", s.why}});
  ordered_json touch;
  if (d.touch) {
    ordered_json expect = ordered_json::array();
    for (const diagnose::Expected& e : d.touch->expect)
      expect.push_back(
          {{"if", e.parts}, {"groups", e.groups}, {"level", e.level}, {"volts", {e.from, e.to}}});
    touch = {
        {"at", d.touch->at}, {"step", d.touch->step}, {"why", d.touch->why}, {"expect", expect}};
  }
  ordered_json touches = ordered_json::array();
  for (const diagnose::Touched& t : touched)
    touches.push_back({{"at", t.net}, {"volts", t.volts}, {"step", t.step}});
  const ordered_json json{{"run", run.number},       {"run_uid", run.uid},
                          {"board", run.board},      {"board_serial", run.board_serial},
                          {"suspects", suspects},    {"healthy", rounded(d.healthy)},
                          {"none", rounded(d.none)}, {"sure", d.sure},
                          {"doubt", d.doubt},        {"say", d.say},
                          {"baseline", beside.baseline ? ordered_json(beside.baseline->number) : ordered_json()},
                          {"touch", touch},          {"touched", touches}};
  return json.dump(2) + "\n";
}

std::string expected_text(const diagnose::NextTouch& touch) {
  std::string text;
  for (const diagnose::Expected& e : touch.expect)
    text +=
        fmt::format("  {:.1f} to {:.1f} V ({}): {}\n", e.from, e.to, e.level, names_of(e.parts));
  return text;
}

// asked: the next touch will be asked for, so that no command needs to be told for it.
std::string text_of(const record::RunRecord& run, const diagnose::Diagnosis& d, bool quiet,
                    bool asked) {
  std::string text = fmt::format("Run {}, {}: {}", run.number, run.board, d.say);
  if (quiet) return text + "\n";
  // `indent` columns before the paragraph, and before its later lines.
  const int width = report::screen_of(stdout_descriptor()).width;
  const auto paragraph = [&](int indent, const std::string& words) {
    return std::string(static_cast<std::size_t>(indent), ' ') + report::wrapped(words, width, indent) + "\n";
  };
  text = paragraph(0, text);
  std::string last_why;
  for (const diagnose::Suspect& s : d.suspects) {
    text += fmt::format("  {:>3.0f} %  group {}  {}: {} {}\n", 100 * s.probability, s.group,
                        names_of(s.parts), s.net, s.fault);
    if (s.why != last_why && &s == &d.suspects.front()) text += paragraph(9, s.why);
    last_why = s.why;
  }
  if (!d.suspects.empty() || d.none > 0.01)
    text += fmt::format("  {:>3.0f} %  none of these\n", 100 * d.none);
  if (!d.suspects.empty() && d.healthy > 0.01)
    text += fmt::format("  {:>3.0f} %  nothing wrong but odd readings\n", 100 * d.healthy);
  if (!d.doubt.empty()) text += paragraph(2, fmt::format("Not sure: {}.", d.doubt));
  if (!d.touch) return text;
  text += paragraph(0, fmt::format("Next: `tenterhook hold {}:{}`, touch {}; {}.", run.number,
                                   d.touch->step, d.touch->at, d.touch->why));
  text += expected_text(*d.touch);
  if (!asked) text += fmt::format("  then `tenterhook diagnose {} --touch {}=...V`\n", run.number, d.touch->at);
  return text;
}

// "NET=VOLTS[@STEP]", or a file with one of these a line; '#' begins a remark.
Status read_touches(const std::string& text, std::vector<diagnose::Touched>& touched) {
  if (text.find('=') != std::string::npos) {
    auto touch = diagnose::parse_touch(text);
    TH_TRY(touch);
    touched.push_back(touch.take());
    return {};
  }
  std::ifstream file(text);
  if (!file)
    return input_error("--touch", fmt::format("'{}' is no touch, and no file that can be read", text),
                       "write NET=VOLTS, e.g. --touch d1=23.8V, or name a file of such lines");
  std::string line;
  for (int number = 1; std::getline(file, line); ++number) {
    line = line.substr(0, line.find('#'));
    std::erase_if(line, [](unsigned char c) { return std::isspace(c) != 0; });
    if (line.empty()) continue;
    auto touch = diagnose::parse_touch(line);
    if (!touch) {
      Error error = touch.error();
      error.where = fmt::format("{}:{}", text, number);
      return error;
    }
    if (touched.size() == diagnose::kMaxTouches)
      return input_error(text, fmt::format("more than {} touches", diagnose::kMaxTouches));
    touched.push_back(touch.take());
  }
  return {};
}

// Touch by touch until one group is left that no point would split, nothing more would tell much, or the
// person leaves.
Status narrow_down(const DiagnoseOptions& options, const record::RunRecord& run,
                   const files::Vectors& vectors, const diagnose::Known& known, Toucher& toucher,
                   std::vector<diagnose::Touched>& touched, diagnose::Diagnosis& d) {
  std::FILE* out = options.bench.json == "-" ? stderr : stdout;
  while (d.touch && touched.size() < diagnose::kMaxTouches) {
    const diagnose::NextTouch next = *d.touch;
    auto volts = toucher.touch(next);
    TH_TRY(volts);
    if (!*volts) return {};
    touched.push_back({next.at, **volts, next.step});
    auto again = diagnose::diagnose(run, vectors, touched, known);
    TH_TRY(again);
    d = again.take();
    if (!options.bench.quiet) std::fputs(("\n" + text_of(run, d, false, d.touch.has_value())).c_str(), out);
  }
  if (!options.bench.quiet)
    std::fputs(fmt::format("After {} touch{}: {}.\n", touched.size(), touched.size() == 1 ? "" : "es",
                           d.groups == 1 ? "one group is left, and no further point would split it"
                                         : "no further point would tell what is left apart")
                   .c_str(),
               out);
  return {};
}

}  // namespace

Result<std::string> suspects_json(const std::string& store, const record::RunRecord& run) {
  const auto vectors = vectors_of(run);
  TH_TRY(vectors);
  const auto known = beside(store, run);
  TH_TRY(known);
  const auto d = diagnose::diagnose(run, *vectors, {}, (*known)->known);
  TH_TRY(d);
  return json_of(run, *d, {}, **known);
}

int diagnose(const DiagnoseOptions& options) {
  std::vector<diagnose::Touched> touched;
  for (const std::string& text : options.touch) {
    if (auto read = read_touches(text, touched); !read) return tell(read.error());
  }
  const std::string& json = options.bench.json;
  const auto run = load_run(options.bench.store, options.run);
  if (!run) return tell(run.error());
  const auto vectors = vectors_of(*run);
  if (!vectors) return tell(vectors.error());
  const auto known = beside(options.bench.store, *run);
  if (!known) return tell(known.error());
  auto d = diagnose::diagnose(*run, *vectors, touched, (*known)->known);
  if (!d) return tell(d.error());

  const bool hand = !options.bench.fixture.empty();
  const bool asks = !options.bench.quiet && json != "-" && isatty(STDIN_FILENO) && isatty(STDOUT_FILENO);
  int code = kExitPass;
  bool told = false;  // on the screen, touch by touch
  std::optional<Error> trouble;
  if ((hand || asks) && d->touch) {
    if (json != "-" && !options.bench.quiet) fmt::print("{}", text_of(*run, *d, false, true));
    std::unique_ptr<Toucher> toucher = typed_touches();
    if (hand) {
      auto made = hand_touches(options.bench, *vectors, {options.at_most_s, options.mute, json == "-"});
      if (!made) return tell(made.error());
      toucher = made.take();
    }
    if (auto narrowed = narrow_down(options, *run, *vectors, (*known)->known, *toucher, touched, *d); !narrowed) trouble = narrowed.error();
    code = toucher->end();
    if (trouble) code = tell(*trouble);
    told = !options.bench.quiet;
  }
  const int answered = answer(json, json.empty() ? "" : json_of(*run, *d, touched, **known), [&] { return told ? std::string() : text_of(*run, *d, options.bench.quiet, false); });
  return code != kExitPass ? code : answered;
}

}  // namespace tenterhook::commands
