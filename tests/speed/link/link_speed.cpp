// What the link costs: time of a step that is neither relays nor settling, conversion or pulse, when its
// program is streamed, beside a host that sends one step, waits for its result and sends the next.
//
// The chip's own program in the emulated chip, so that instructions take their time; the host takes none
// and the line has no latency but its bytes, which favours the host that waits: a USB bridge adds 1 to
// 16 ms to each of its steps and nothing to the streamed ones. All times are of the fixture's clock.
#include <benchmark/benchmark.h>

#include <cstdio>
#include <memory>
#include <string>

#include "fixtures/emulated/fixture/lockstep_port.h"
#include "fixtures/emulated/mcu/mcu.h"
#include "tests/unit/link/bench.h"

namespace tenterhook::link {
namespace {

constexpr int kSteps = 64;
constexpr std::uint32_t kBegin = 1, kEnd = 2;

// The shed latch's kind of step: five drives change, the relays settle, one clock pulse of 200 us, eight
// outputs over a mains period (192 conversions), after the outputs' 10 us. Without relays: what the link
// itself can carry, one conversion a channel.
struct Work {
  bool relays;
};

constexpr std::uint32_t kRelayUs = 15000;
constexpr std::uint32_t kWaitUs = 10;
constexpr std::uint32_t kWidthTicks = 3200;
constexpr int kChannels = 8;

std::uint16_t conversions(Work work) { return work.relays ? 24 : 1; }

// What nothing can shorten, from the program itself. Not from the fixture's counters: these give every
// microsecond to one operation or another, the instructions between them included.
double physical_seconds_a_step(Work work) {
  const double pulse_us = (kWidthTicks + wire::kGapTicksMin) / 16.0;
  const double convert_us = static_cast<double>(kChannels * conversions(work) * wire::kConversionPairUs);
  return ((work.relays ? kRelayUs : 0) + kWaitUs + pulse_us + convert_us) * 1e-6;
}

Bytes step_of(int i, Work work, bool marks_begin, bool marks_end) {
  Bytes body;
  std::uint16_t results = wire::sample_result_bytes(kChannels);
  if (marks_begin) append(body, wire::MarkOp{kBegin});
  if (work.relays) {
    append(body, wire::DriveOp{0x1F, static_cast<std::uint16_t>(i & 0x1F)});
    append(body, wire::RelayWaitOp{kRelayUs});
  }
  append(body, wire::PulseOp{0, 1, 1, kWidthTicks, wire::kGapTicksMin});
  append(body, wire::WaitOp{kWaitUs});
  append(body, wire::SampleOp{0xFF, 0, conversions(work)});
  if (marks_end) append(body, wire::MarkOp{kEnd});
  results = static_cast<std::uint16_t>(results + (marks_begin ? 1 : 0) * wire::kEventResultBytes + (marks_end ? 1 : 0) * wire::kEventResultBytes);
  Bytes step;
  append(step, wire::LabelOp{static_cast<std::uint16_t>(i), static_cast<std::uint16_t>(body.size()), results, 0});
  step.insert(step.end(), body.begin(), body.end());
  return step;
}

struct Measured {
  double took_s = 0.0;  // first set to last sample
  DeviceTimes device;   // the fixture's own account
  int starvations = 0;
};

class Bench {
 public:
  explicit Bench(int baud) {
    emulated::McuOptions mcu;
    mcu.elf = std::string(TH_ELF_FOLDER) + "/firmware-" + std::to_string(baud) + ".elf";
    auto made = emulated::make_mcu(mcu, std::make_unique<StillFixture>());
    if (!made.ok()) {
      trouble = made.error().text();
      return;
    }
    std::unique_ptr<emulated::Controller> chip = made.take();
    chip->set_host_baud(baud);
    auto opened = Session::open(std::make_unique<emulated::LockstepPort>(std::move(chip)), {nullptr, 7});
    if (opened.ok()) {
      session = opened.take();
    } else {
      trouble = opened.error().text();
    }
  }
  std::unique_ptr<Session> session;
  std::string trouble;
};

Result<Measured> measure(Session& session, Work work, bool stream) {
  Measured m;
  double began = 0.0, ended = 0.0;
  Sink sink;
  sink.milestone = [&](const Milestone& milestone) {
    if (milestone.kind != Milestone::Kind::mark) return;
    (milestone.id == kBegin ? began : ended) = milestone.time.value;
  };
  const auto account = [&](const ExecuteReport& report) {
    m.device.relay += report.times.relay;
    m.device.wait += report.times.wait;
    m.device.convert += report.times.convert;
    m.device.pulse += report.times.pulse;
    m.starvations += report.starvations;
  };
  Bytes program;
  for (int i = 0; i < kSteps; ++i) {
    const Bytes step = step_of(i, work, i == 0, i + 1 == kSteps);
    program.insert(program.end(), step.begin(), step.end());
    if (stream && i + 1 < kSteps) continue;
    auto report = session.execute(program, sink);
    if (!report.ok()) return report.error();
    if (!report->finished) return fixture_error("", report->fault->text);
    account(*report);
    program.clear();
  }
  auto end = session.finish();
  if (!end.ok()) return end.error();
  m.took_s = ended - began;
  return m;
}

// args: baud, streamed, relays
void overhead(benchmark::State& state) {
  const int baud = static_cast<int>(state.range(0));
  const bool stream = state.range(1) != 0;
  const Work work{state.range(2) != 0};
  for (auto _ : state) {
    Bench line(baud);
    if (!line.session) {
      state.SkipWithError(line.trouble.c_str());
      return;
    }
    auto measured = measure(*line.session, work, stream);
    if (!measured.ok()) {
      state.SkipWithError(measured.error().text().c_str());
      return;
    }
    const double over = measured->took_s - kSteps * physical_seconds_a_step(work);
    state.counters["overhead_us_a_step"] = over / kSteps * 1e6;
    state.counters["overhead_percent"] = 100.0 * over / measured->took_s;
    state.counters["vectors_a_second"] = kSteps / measured->took_s;
    state.counters["relay_us"] = measured->device.relay.value / kSteps * 1e6;
    state.counters["wait_us"] = measured->device.wait.value / kSteps * 1e6;
    state.counters["convert_us"] = measured->device.convert.value / kSteps * 1e6;
    state.counters["pulse_us"] = measured->device.pulse.value / kSteps * 1e6;
    state.counters["starvations"] = measured->starvations;
  }
  state.SetLabel(std::string(stream ? "streamed" : "send and wait") + (work.relays ? ", relays" : ", no relays"));
}

BENCHMARK(overhead)->ArgsProduct({{250000, 500000, 1000000}, {1, 0}, {1, 0}})->ArgNames({"baud", "stream", "relays"})->Iterations(1)->Unit(benchmark::kMillisecond);

}  // namespace
}  // namespace tenterhook::link

BENCHMARK_MAIN();
