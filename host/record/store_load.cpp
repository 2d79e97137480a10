// From rows back to a RunRecord, and the texts that rows hold.
#include <fmt/format.h>

#include <charconv>
#include <limits>

#include "host/record/store_state.h"

namespace tenterhook::record {
namespace {

constexpr char kBitLetters[] = "01xz";

std::string escaped(const std::string& name) {
  std::string text;
  for (const char c : name) {
    if (c == ' ' || c == '=' || c == '%') {
      text += fmt::format("%{:02X}", static_cast<unsigned>(c));
    } else {
      text += c;
    }
  }
  return text;
}

std::string unescaped(std::string_view text) {
  std::string name;
  for (std::size_t i = 0; i < text.size(); ++i) {
    unsigned code = 0;
    if (text[i] == '%' && i + 2 < text.size() &&
        std::from_chars(text.data() + i + 1, text.data() + i + 3, code, 16).ec == std::errc()) {
      name += static_cast<char>(code);
      i += 2;
    } else {
      name += text[i];
    }
  }
  return name;
}

// Calls visit(name, value) for each "name=value" of a joined text.
template <class Visit>
void each_assignment(std::string_view text, Visit visit) {
  while (!text.empty()) {
    const std::size_t blank = text.find(' ');
    const std::string_view item = text.substr(0, blank);
    const std::size_t equals = item.find('=');
    if (equals != std::string_view::npos) {
      visit(unescaped(item.substr(0, equals)), item.substr(equals + 1));
    }
    if (blank == std::string_view::npos) break;
    text.remove_prefix(blank + 1);
  }
}

// Runs a query with the run's number as its only parameter and calls visit(row) for each row.
template <class Visit>
Status each_row(Database& database, long run, const char* sql, Visit visit) {
  Result<Statement> statement = database.prepare(sql);
  if (!statement.ok()) return statement.error();
  statement->bind(run);
  for (;;) {
    const Result<bool> row = statement->next();
    if (!row.ok()) return row.error();
    if (!*row) return {};
    visit(*statement);
  }
}

measure::Verdict verdict_of(long long code) {
  return code >= 0 && code < 3 ? static_cast<measure::Verdict>(code) : measure::Verdict::none;
}

Result<bool> load_identity(Database& database, RunRecord& run) {
  bool found = false;
  std::string process;
  TH_TRY(each_row(database, run.number,
                  "SELECT uid, started, kind, board, board_serial, vectors, fixture, "
                  "fixture_serial, firmware_build, calibration, operator, host, process, "
                  "steps_planned, seed FROM run WHERE number = ?",
                  [&](Statement& s) {
                    found = true;
                    for (std::string* field :
                         {&run.uid, &run.started, &run.kind, &run.board, &run.board_serial,
                          &run.vectors, &run.fixture, &run.fixture_serial, &run.firmware_build,
                          &run.calibration, &run.operator_name, &run.host, &process}) {
                      *field = s.text();
                    }
                    run.steps_planned = static_cast<int>(s.integer());
                    if (!s.is_null()) run.seed = std::strtoull(s.text().c_str(), nullptr, 10);
                  }));
  if (!found) return false;
  run.state = state_without_end({run.host, process});
  TH_TRY(each_row(database, run.number,
                  "SELECT text FROM run_fault WHERE run = ? ORDER BY position",
                  [&](Statement& s) { run.faults.push_back(s.text()); }));
  TH_TRY(each_row(database, run.number,
                  "SELECT path, text, sha256 FROM run_file JOIN file USING(sha256) WHERE run = ? "
                  "ORDER BY position",
                  [&](Statement& s) {
                    files::SourceFile& file = run.sources.emplace_back();
                    file.path = s.text();
                    file.text = s.text();
                    file.sha256 = s.text();
                  }));
  TH_TRY(each_row(database, run.number,
                  "SELECT text FROM note WHERE run_uid = (SELECT uid FROM run WHERE number = ?) "
                  "ORDER BY note.uid",
                  [&](Statement& s) {
                    if (!run.notes.empty()) run.notes += '\n';
                    run.notes += s.text();
                  }));
  return true;
}

Status load_end(Database& database, RunRecord& run) {
  return each_row(
      database, run.number,
      "SELECT verdict, total_s, relay_s, settle_s, convert_s, pulse_s, overhead_s, prepare_s, "
      "discharge_s, frames_sent, frames_received, crc_errors, overruns, timeouts, resent, "
      "starvations, resets, relay_operations, aborted_cause, aborted_where, aborted_blame, "
      "aborted_message, warm_up_s, discharged_below_v, powered_s FROM run_end WHERE run = ?",
      [&](Statement& s) {
        run.complete = true;
        run.state = RunState::finished;
        run.verdict = verdict_of(s.integer());
        Times& t = run.time;
        for (double* seconds : {&t.total_s, &t.relay_s, &t.settle_s, &t.convert_s, &t.pulse_s,
                                &t.overhead_s, &t.prepare_s, &t.discharge_s}) {
          *seconds = s.real();
        }
        Counters& c = run.link;
        for (long* n : {&c.frames_sent, &c.frames_received, &c.crc_errors, &c.overruns, &c.timeouts,
                        &c.resent, &c.starvations, &c.resets, &run.relay_operations}) {
          *n = static_cast<long>(s.integer());
        }
        if (!s.is_null()) {
          Aborted& aborted = run.aborted.emplace();
          for (std::string* text :
               {&aborted.cause, &aborted.where, &aborted.blame, &aborted.message}) {
            *text = s.text();
          }
        } else {
          for (int i = 0; i < 4; ++i) s.skip();
        }
        if (!s.is_null())
          run.power.warm_up_s = s.real();
        else
          s.skip();
        if (!s.is_null())
          run.power.discharged_below_v = s.real();
        else
          s.skip();
        if (!s.is_null()) run.powered_s = s.real();
      });
}

Status load_steps(Database& database, RunRecord& run) {
  TH_TRY(each_row(database, run.number,
                  "SELECT vector, source, say, sets, pulses, time_s FROM steps WHERE run = ? "
                  "ORDER BY position",
                  [&](Statement& s) {
                    StepRecord& step = run.steps.emplace_back();
                    step.index = static_cast<int>(s.integer());
                    step.source = s.text();
                    step.say = s.text();
                    step.set = split_sets(s.text());
                    step.pulse = split_pulses(s.text());
                    step.time_s = s.real();
                  }));
  return each_row(
      database, run.number,
      "SELECT step, word.text, expected, volts, U, dof, p, window.low, window.high, verdict, "
      "channel, n, sum, min, max, sum_of_squares, why FROM reading JOIN word ON word.id = line "
      "JOIN window ON window.id = window WHERE run = ? ORDER BY step, reading.position",
      [&](Statement& s) {
        const auto step = static_cast<std::size_t>(s.integer());
        if (step >= run.steps.size()) return;  // impossible by the foreign key
        measure::Reading& r = run.steps[step].readings.emplace_back();
        r.line = s.text();
        r.expected = static_cast<files::Bit>(s.integer() & 3);
        r.volts = Volts{s.real()};
        r.U = Volts{s.real()};
        r.dof = s.real();
        r.p = s.real();
        r.window.min = Volts{s.real()};
        r.window.max = Volts{s.real()};
        r.verdict = verdict_of(s.integer());
        r.channel = static_cast<int>(s.integer());
        r.counts.n = static_cast<std::uint16_t>(s.integer());
        r.counts.sum = static_cast<std::uint32_t>(s.integer());
        r.counts.min = static_cast<std::uint16_t>(s.integer());
        r.counts.max = static_cast<std::uint16_t>(s.integer());
        r.counts.sum_of_squares = static_cast<std::uint32_t>(s.integer());
        r.why = s.text();
      });
}

// What was looked at again: the reading as it stands, in place of the one that was told first.
Status load_amendments(Database& database, RunRecord& run) {
  TH_TRY(each_row(database, run.number,
                  "SELECT vector, word.text, volts, U, dof, p, verdict, n, sum, min, max, "
                  "sum_of_squares, why FROM amendment JOIN word ON word.id = line WHERE run = ? "
                  "ORDER BY position",
                  [&](Statement& s) {
                    Amendment& a = run.amendments.emplace_back();
                    a.step = static_cast<int>(s.integer());
                    a.line = s.text();
                    measure::Reading& r = a.reading;
                    r.volts = Volts{s.real()};
                    r.U = Volts{s.real()};
                    r.dof = s.real();
                    r.p = s.real();
                    a.verdict = verdict_of(s.integer());
                    r.counts.n = static_cast<std::uint16_t>(s.integer());
                    r.counts.sum = static_cast<std::uint32_t>(s.integer());
                    r.counts.min = static_cast<std::uint16_t>(s.integer());
                    r.counts.max = static_cast<std::uint16_t>(s.integer());
                    r.counts.sum_of_squares = static_cast<std::uint32_t>(s.integer());
                    a.why = s.text();
                  }));
  for (Amendment& a : run.amendments) {
    for (StepRecord& step : run.steps) {
      if (step.index != a.step) continue;
      for (measure::Reading& r : step.readings) {
        if (r.line != a.line) continue;
        r.volts = a.reading.volts;
        r.U = a.reading.U;
        r.dof = a.reading.dof;
        r.p = a.reading.p;
        r.counts = a.reading.counts;
        r.verdict = a.verdict;
        r.why = a.why;
        a.reading = r;
      }
    }
  }
  return {};
}

// The level of a line, in the order of the record; made when first seen.
LevelRecord& level_of(RunRecord& run, const std::string& line) {
  for (LevelRecord& level : run.levels) {
    if (level.line == line) return level;
  }
  run.levels.emplace_back().line = line;
  return run.levels.back();
}

Status load_levels(Database& database, RunRecord& run) {
  TH_TRY(each_row(database, run.number,
                  "SELECT word.text, high, min, max, mean, U, n, worst_step FROM level JOIN word "
                  "ON word.id = line WHERE run = ? ORDER BY position, high",
                  [&](Statement& s) {
                    LevelRecord& level = level_of(run, s.text());
                    const bool high = s.integer() == 1;
                    LevelRecord::Side& side = (high ? level.high : level.low).emplace();
                    side.min_v = s.real();
                    side.max_v = s.real();
                    side.mean_v = s.real();
                    side.U_v = s.real();
                    side.n = static_cast<int>(s.integer());
                    side.worst_step = static_cast<int>(s.integer());
                  }));
  return each_row(database, run.number,
                  "SELECT word.text, position, low, high, U, receiver.text FROM margin JOIN word "
                  "ON word.id = line LEFT JOIN word receiver ON receiver.id = receiver "
                  "WHERE run = ? ORDER BY position",
                  [&](Statement& s) {
                    LevelRecord& level = level_of(run, s.text());
                    const bool worst = s.integer() < 0;
                    if (worst) {
                      if (!s.is_null())
                        level.margin_low_v = s.real();
                      else
                        s.skip();
                      if (!s.is_null()) level.margin_high_v = s.real();
                      return;
                    }
                    MarginRecord& margin = level.margins.emplace_back();
                    margin.low_v = s.real();
                    margin.high_v = s.real();
                    margin.U_v = s.real();
                    margin.to = s.text();
                  });
}

Status load_power(Database& database, RunRecord& run) {
  TH_TRY(each_row(database, run.number,
                  "SELECT word.text, nominal, measured, U, amps, window_low, window_high FROM rail "
                  "JOIN word ON word.id = rail.rail WHERE run = ? ORDER BY position",
                  [&](Statement& s) {
                    RailRecord& rail = run.power.rails.emplace_back();
                    rail.rail = s.text();
                    for (double* value : {&rail.nominal_v, &rail.measured_v, &rail.U_v, &rail.amps,
                                          &rail.window_min_v, &rail.window_max_v}) {
                      *value = s.real();
                    }
                  }));
  return each_row(
      database, run.number,
      "SELECT word.text, quantity, time_s, value FROM curve JOIN word ON word.id = rail "
      "WHERE run = ? ORDER BY position",
      [&](Statement& s) {
        CurveRecord& curve = run.power.curves.emplace_back();
        curve.rail = s.text();
        curve.quantity = s.text();
        curve.time_s = split_numbers(s.text());
        curve.value = split_numbers(s.text());
      });
}

Status load_timings(Database& database, RunRecord& run) {
  return each_row(
      database, run.number,
      "SELECT kind, source.text, line.text, edge, seconds, U, limit_s, n, verdict FROM timing "
      "JOIN word source ON source.id = source JOIN word line ON line.id = line WHERE run = ? "
      "ORDER BY position",
      [&](Statement& s) {
        TimingRecord& t = run.timings.emplace_back();
        for (std::string* text : {&t.kind, &t.from, &t.line, &t.edge}) *text = s.text();
        t.seconds = s.real();
        t.U_s = s.real();
        if (!s.is_null())
          t.limit_s = s.real();
        else
          s.skip();
        t.n = static_cast<int>(s.integer());
        t.verdict = verdict_of(s.integer());
      });
}

Status load_remarks(Database& database, RunRecord& run) {
  TH_TRY(each_row(database, run.number, "SELECT text FROM warning WHERE run = ? ORDER BY position",
                  [&](Statement& s) { run.warnings.push_back(s.text()); }));
  TH_TRY(each_row(database, run.number,
                  "SELECT word.text, operations FROM relay JOIN word ON word.id = channel "
                  "WHERE run = ?",
                  [&](Statement& s) {
                    const std::string channel = s.text();
                    run.relay_wear[channel] = static_cast<long>(s.integer());
                  }));
  return each_row(database, run.number, "SELECT name, json FROM section WHERE run = ?",
                  [&](Statement& s) {
                    const std::string name = s.text();
                    run.sections[name] = s.text();
                  });
}

}  // namespace

std::string join_sets(const std::vector<std::pair<std::string, files::Bit>>& sets) {
  std::string text;
  for (const auto& [line, bit] : sets) {
    if (!text.empty()) text += ' ';
    text += escaped(line) + '=' + kBitLetters[static_cast<int>(bit)];
  }
  return text;
}

std::string join_pulses(const std::vector<std::pair<std::string, int>>& pulses) {
  std::string text;
  for (const auto& [line, count] : pulses) {
    if (!text.empty()) text += ' ';
    text += escaped(line) + '=' + std::to_string(count);
  }
  return text;
}

std::vector<std::pair<std::string, files::Bit>> split_sets(const std::string& text) {
  std::vector<std::pair<std::string, files::Bit>> sets;
  each_assignment(text, [&](std::string line, std::string_view value) {
    const std::size_t bit = std::string_view(kBitLetters).find(value.empty() ? 'x' : value[0]);
    sets.emplace_back(std::move(line), static_cast<files::Bit>(bit & 3));
  });
  return sets;
}

std::vector<std::pair<std::string, int>> split_pulses(const std::string& text) {
  std::vector<std::pair<std::string, int>> pulses;
  each_assignment(text, [&](std::string line, std::string_view value) {
    int count = 0;
    std::from_chars(value.data(), value.data() + value.size(), count);
    pulses.emplace_back(std::move(line), count);
  });
  return pulses;
}

std::string join_numbers(const std::vector<double>& numbers) {
  // fmt's "{}" is the shortest text that reads back to the same double.
  return fmt::format("[{}]", fmt::join(numbers, ","));
}

std::vector<double> split_numbers(const std::string& text) {
  std::vector<double> numbers;
  const char* at = text.data();
  const char* end = at + text.size();
  while (at < end) {
    double value = 0.0;
    const auto [next, error] = std::from_chars(at, end, value);
    if (error == std::errc()) {
      numbers.push_back(value);
      at = next;
    } else {
      ++at;  // bracket or comma
    }
  }
  return numbers;
}

Result<RunRecord> Store::load(long number) const {
  RunRecord run;
  run.number = number;
  Database& database = *state_->database;
  const Result<bool> found = load_identity(database, run);
  if (!found.ok()) return found.error();
  if (!*found) {
    return input_error(path(), fmt::format("there is no run {} in this store", number),
                       "`tenterhook history` lists the runs");
  }
  TH_TRY(load_end(database, run));
  TH_TRY(load_steps(database, run));
  TH_TRY(load_amendments(database, run));
  TH_TRY(load_levels(database, run));
  TH_TRY(load_power(database, run));
  TH_TRY(load_timings(database, run));
  TH_TRY(load_remarks(database, run));
  return run;
}

}  // namespace tenterhook::record
