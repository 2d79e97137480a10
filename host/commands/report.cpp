#include "host/commands/report.h"

#include <fmt/format.h>

#include <algorithm>
#include <cctype>
#include <filesystem>
#include <tuple>

#include "host/commands/output.h"
#include "host/commands/parts.h"
#include "host/commands/review.h"
#include "host/commands/trend.h"
#include "host/files/reader.h"
#include "host/report/board_page.h"
#include "host/report/html.h"
#include "host/report/label.h"

namespace tenterhook::commands {
namespace {

constexpr int kRunsLookedAt = 200;  // for the last one with levels

// Letters, digits, '-' and '_' only: a board's name must not choose the folder.
std::string file_name(const std::string& board, const std::string& serial, const std::string& rest) {
  std::string name = board + (serial.empty() ? "" : "-" + serial);
  for (char& c : name) {
    if (std::isalnum(static_cast<unsigned char>(c)) == 0 && c != '-' && c != '_') c = '_';
  }
  return name + rest;
}

int write_page(const ReportOptions& options, const std::string& name, const std::string& page) {
  const std::string path = options.out.empty() ? name : options.out;
  const Status written = write_text(path, page);
  if (!written.ok()) return tell(written.error());
  if (path != "-" && !options.quiet) fmt::print("{}\n", path);
  return kExitPass;
}

// What good parts show, from the board file that the run kept.
std::map<std::string, files::LevelWindows> predicted_of(const record::RunRecord& run) {
  std::map<std::string, files::LevelWindows> predicted;
  if (run.sources.empty()) return predicted;
  const auto vectors = files::parse_recorded(run.sources);
  if (!vectors.ok()) return predicted;
  for (const files::Line& line : vectors->board.lines) {
    const files::Family* family = vectors->board.family_of(line);
    if (family == nullptr || line.kind == files::LineKind::input || line.kind == files::LineKind::clock) continue;
    const files::LevelWindows& levels = family->predicted.levels;
    if (levels.low || levels.high) predicted[line.name] = levels;
  }
  return predicted;
}

int report_run(const ReportOptions& options) {
  const Result<record::Store> store = open_store_to_read(options.store);
  if (!store.ok()) return tell(store.error());
  const Result<record::RunRecord> run = store->load(options.run);
  if (!run.ok()) return tell(run.error());
  tenterhook::report::PageExtras extras;
  const auto photos = store->photos(run->number);
  if (!photos.ok()) return tell(photos.error());
  extras.photos = *photos;
  extras.predicted = predicted_of(*run);
  if (options.suspects && run->complete && !run->aborted && run->verdict == measure::Verdict::fail) {
    // A board without a circuit has no suspects; the page is worth having all the same.
    if (const auto suspects = options.suspects(*run); suspects.ok()) extras.diagnosis_json = *suspects;
  }
  return write_page(options, file_name(run->board, run->board_serial, fmt::format("-run-{}.html", run->number)),
                    tenterhook::report::html_page(*run, extras));
}

int report_label(const ReportOptions& options) {
  const auto run = load_run(options.store, options.run);
  if (!run.ok()) return tell(run.error());
  const bool pdf = options.label.ends_with(".pdf");
  if (!pdf && !options.label.ends_with(".svg")) {
    return tell(input_error("--label", "expected a name that ends in .svg or .pdf, found '" + options.label + "'"));
  }
  const auto label = pdf ? tenterhook::report::label_pdf(*run) : tenterhook::report::label_svg(*run);
  if (!label.ok()) return tell(label.error());
  if (const Status written = write_text(options.label, *label); !written.ok()) return tell(written.error());
  if (!options.quiet) fmt::print("{}\n", options.label);
  return kExitPass;
}

// The newest finished run with levels among these; the newest of all when none has.
Result<record::RunRecord> last_with_levels(const record::Store& store, const std::vector<record::RunSummary>& runs) {
  int looked = 0;
  for (const record::RunSummary& summary : runs) {
    if (!summary.complete || summary.counts.readings == 0) continue;
    if (++looked > kRunsLookedAt) break;
    auto run = store.load(summary.number);
    if (!run.ok() || !run->levels.empty()) return run;
  }
  return store.load(runs.front().number);
}

Result<std::vector<tenterhook::report::LineTrend>> trends_of(const record::Store& store, const record::RunRecord& last) {
  TrendOptions options;
  options.board = last.board;
  options.serial = last.board_serial;
  return line_trends(store, options, last);
}

Result<tenterhook::report::BoardPage> page_of(const record::Store& store, const std::string& board, const std::string& serial) {
  tenterhook::report::BoardPage page;
  page.board = board;
  page.board_serial = serial;
  record::HistoryFilter filter;
  filter.board = board;
  filter.board_serial = serial;
  filter.exact_serial = true;
  filter.limit = tenterhook::report::kRunsOnPage;
  auto history = store.history(filter);
  TH_TRY(history);
  page.runs = std::move(history->runs);
  page.total = history->total;
  if (page.runs.empty()) return input_error(board, "no run of this board and serial is recorded", "`tenterhook history` lists the boards");
  auto last = last_with_levels(store, page.runs);
  TH_TRY(last);
  page.last = last.take();
  auto trends = trends_of(store, page.last);
  TH_TRY(trends);
  page.trends = trends.take();
  auto parts = store.parts(board, serial);
  TH_TRY(parts);
  page.parts = parts.take();
  auto swaps = store.swaps(board, serial);
  TH_TRY(swaps);
  std::copy_if(swaps->begin(), swaps->end(), std::back_inserter(page.swaps), [&](const record::Swap& s) { return s.board_serial == serial; });
  auto remarks = store.remarks(board, serial);
  TH_TRY(remarks);
  page.remarks = remarks.take();
  auto use = store.use_of(board, serial);
  TH_TRY(use);
  page.use = *use;
  return page;
}

int report_board(const ReportOptions& options) {
  const Result<std::string> name = board_name(options.board);
  if (!name.ok()) return tell(name.error());
  const Result<record::Store> store = open_store_to_read(options.store);
  if (!store.ok()) return tell(store.error());
  const Result<std::string> serial = chosen_serial(*store, *name, options.serial);
  if (!serial.ok()) return tell(serial.error());
  const auto page = page_of(*store, *name, *serial);
  if (!page.ok()) return tell(page.error());
  return write_page(options, file_name(*name, *serial, ".html"), tenterhook::report::board_page(*page));
}

Result<tenterhook::report::FleetBoard> fleet_board(const record::Store& store, const record::RunSummary& last) {
  tenterhook::report::FleetBoard board;
  board.last = last;
  auto page = page_of(store, last.board, last.board_serial);
  TH_TRY(page);
  board.runs = page->total;
  record::HistoryFilter passed;
  passed.board = last.board;
  passed.board_serial = last.board_serial;
  passed.exact_serial = true;
  passed.verdict = measure::Verdict::pass;
  passed.limit = 1;
  const auto good = store.history(passed);
  TH_TRY(good);
  board.passed = good->total;
  board.use = page->use;
  board.swaps = static_cast<int>(page->swaps.size());
  board.least_margin = tenterhook::report::least_margin_of(page->last);
  for (const auto& line : page->trends) {
    using record::TrendState;
    if (line.trend.state != TrendState::beyond && line.trend.state != TrendState::to_limit) continue;
    board.urgent_trend = tenterhook::report::trend_sentence(line);
    break;
  }
  return board;
}

// What needs a look first: failed or stopped, then undecided, then drifting, then the rest.
int urgency(const tenterhook::report::FleetBoard& b) {
  if (!b.last.complete || b.last.aborted || b.last.verdict == measure::Verdict::fail) return 0;
  if (b.last.verdict == measure::Verdict::unsure) return 1;
  return b.urgent_trend.empty() ? 3 : 2;
}

int report_fleet(const ReportOptions& options) {
  const Result<record::Store> store = open_store_to_read(options.store);
  if (!store.ok()) return tell(store.error());
  tenterhook::report::FleetPage page;
  page.store = std::filesystem::path(store->path()).filename().string();  // whose folder is nobody's business
  const auto boards = store->boards();
  if (!boards.ok()) return tell(boards.error());
  for (const record::RunSummary& last : *boards) {
    auto board = fleet_board(*store, last);
    if (!board.ok()) return tell(board.error());
    page.boards.push_back(board.take());
  }
  std::stable_sort(page.boards.begin(), page.boards.end(), [](const auto& a, const auto& b) { return urgency(a) < urgency(b); });
  const auto fixtures = store->fixtures();
  if (!fixtures.ok()) return tell(fixtures.error());
  for (const std::string& serial : *fixtures) {
    tenterhook::report::FleetFixture fixture;
    fixture.serial = serial;
    auto wear = store->relay_wear(serial);
    if (!wear.ok()) return tell(wear.error());
    fixture.wear = wear.take();
    auto tests = store->self_tests(serial);
    if (!tests.ok()) return tell(tests.error());
    fixture.self_tests = tests.take();
    page.fixtures.push_back(std::move(fixture));
  }
  return write_page(options, "all-boards.html", tenterhook::report::fleet_page(page));
}

}  // namespace

int report(const ReportOptions& options) {
  const int asked = (options.run.empty() ? 0 : 1) + (options.board.empty() ? 0 : 1) + (options.fleet ? 1 : 0);
  if (asked != 1) {
    return tell(input_error("report", "expected one of RUN, --board NAME and --fleet"));
  }
  if (!options.label.empty() && options.run.empty()) return tell(input_error("--label", "belongs to one RUN"));
  if (!options.label.empty()) return report_label(options);
  if (options.fleet) return report_fleet(options);
  return options.board.empty() ? report_run(options) : report_board(options);
}

}  // namespace tenterhook::commands
