#include "host/commands/fixture_bench.h"

#include "fixtures/emulated/boards/loop_back.h"
#include "fixtures/emulated/fixture/lockstep_port.h"
#include "host/commands/emulated_bench.h"

namespace tenterhook::commands {

namespace {
constexpr const char* kEmulated = "emulated";
constexpr int kBaud = 500000;
}  // namespace

Result<FixtureBench> open_fixture(const BenchOptions& options, const files::Fixture& fixture, bool with_source,
                                  const std::vector<double>& supplies, bool plugged) {
  FixtureBench opened;
  link::SessionOptions session_options;
  session_options.cancel = &person_cancels();
  std::unique_ptr<link::Port> port;
  if (options.fixture == kEmulated) {
    opened.bench.seed = options.seed.value_or(1);
    session_options.seed = static_cast<std::uint32_t>(opened.bench.seed % 0xFFFFFFFFu) + 1;
    std::unique_ptr<emulated::Board> board;
    emulated::BoardDescription description;
    if (with_source) {
      const int rails = static_cast<int>(fixture.rails.size());
      auto source = std::make_unique<emulated::Calibrator>(fixture.sense.channels, rails);
      opened.source = source.get();
      board = std::move(source);
      description = emulated::Calibrator::wired(fixture.sense.channels, rails);
    }
    if (plugged) {
      board = std::make_unique<emulated::LoopBack>(fixture.drive.channels, fixture.fast.channels);
      description = emulated::LoopBack::wired(fixture.drive.channels, fixture.fast.channels);
    }
    auto controller = make_emulated_fixture(opened.bench.seed, options.faults, std::move(board), description, Firmware::elf, supplies);
    TH_TRY(controller);
    opened.bench.emulated = controller->get();
    port = std::make_unique<emulated::LockstepPort>(controller.take());
  } else {
    auto real = link::open_port(options.fixture, kBaud);
    TH_TRY(real);
    port = real.take();
  }
  auto session = link::Session::open(std::move(port), session_options);
  TH_TRY(session);
  opened.bench.session = session.take();
  return opened;
}

double mean_of(const measure::Counts& counts) { return counts.n > 0 ? static_cast<double>(counts.sum) / counts.n : 0.0; }

Result<Seen> run_and_sample(link::Session& session, const plan::ProgramStep& step) {
  auto program = plan::encode(step);
  TH_TRY(program);
  Seen seen;
  link::Sink sink;
  sink.sample = [&](const link::SampleBlock& block) {
    for (const link::ChannelSample& c : block.channels) {
      if (c.kind == link::ChannelKind::sense) seen.sense[c.index] = c.counts;
      if (c.kind == link::ChannelKind::drive) seen.drive[c.index] = c.counts;
      if (c.kind == link::ChannelKind::rail) seen.rail[c.index] = c.counts;
      if (c.kind == link::ChannelKind::rail_second) seen.rail_second[c.index] = c.counts;
      if (c.kind == link::ChannelKind::supply) seen.supply[c.index] = c.counts;
      if (c.kind == link::ChannelKind::current) seen.current[c.index] = c.counts;
      if (c.kind == link::ChannelKind::reference) seen.self.reference_counts = mean_of(c.counts);
      if (c.kind == link::ChannelKind::ground) seen.self.ground_counts = mean_of(c.counts);
    }
  };
  auto report = session.execute(*program, sink);
  TH_TRY(report);
  if (report->fault) return fixture_error(report->fault->where, report->fault->text, report->fault->remedy);
  return seen;
}

Result<Seen> sample_once(link::Session& session, std::uint64_t senses, std::uint64_t aux, int n) {
  plan::ProgramStep step;
  step.label = plan::kLabelHold;
  step.patient = true;
  step.ops.push_back(wire::SampleOp{senses, aux, static_cast<std::uint16_t>(n)});
  return run_and_sample(session, step);
}

}  // namespace tenterhook::commands
