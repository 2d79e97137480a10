// An emulated fixture with a board, served like `tenterhook emulate`, that tells its own truth and can be harmed.
//
//   watched_fixture VECTORS unix:PATH
//
// On standard output, a line each with the monotonic clock's seconds first: "listening", "powered" (a rail is
// on), "open N" (no contact closed and no rail on, N ms of the fixture's time after the last byte from the
// host), "late" (something was on more than 250 ms after the last byte). On standard input, a word a line: "hang" (the firmware
// stops; its watchdog goes on), "power-cut", "power-on". It ends with its standard input.
#include <chrono>
#include <cstdio>
#include <iostream>
#include <string>
#include <thread>

#include "host/commands/serve.h"
#include "tests/emulated/acceptance/watched.h"
#include "tests/emulated/acceptance/whole_run.h"

namespace {

using namespace tenterhook;
using Clock = std::chrono::steady_clock;

constexpr auto kLook = std::chrono::milliseconds(2);

void tell(const std::string& what) {
  std::printf("%.4f %s\n", std::chrono::duration<double>(Clock::now().time_since_epoch()).count(), what.c_str());
  std::fflush(stdout);
}

// Tells what changes until the fixture is no longer served.
void watch(acceptance::Watched& fixture, const link::Cancellation& stop) {
  bool on = false, powered = false, late = false;
  while (!stop.requested()) {
    if (fixture.powered && !powered) tell("powered");
    powered = fixture.powered;
    if (on && !fixture.on) tell("open " + std::to_string(fixture.opened_after_ms.load()));
    on = fixture.on;
    if (fixture.late && !late) tell("late");
    late = fixture.late;
    std::this_thread::sleep_for(kLook);
  }
}

void obey(acceptance::Watched& fixture, link::Cancellation& stop) {
  for (std::string word; std::getline(std::cin, word);) {
    if (word == "hang") fixture.inject_next = static_cast<int>(emulated::Injection::hang);
    else if (word == "power-cut") fixture.inject_next = static_cast<int>(emulated::Injection::power_cut);
    else if (word == "power-on") fixture.inject_next = static_cast<int>(emulated::Injection::power_on);
    else tell("unknown word " + word);
  }
  stop.request();
}

}  // namespace

int main(int argc, char** argv) {
  if (argc != 3) {
    std::fprintf(stderr, "watched_fixture VECTORS unix:PATH\n");
    return 2;
  }
  auto made = commands::make_emulated(acceptance::plan_of(argv[1]), 1, {}, commands::Firmware::elf);
  if (!made) {
    std::fprintf(stderr, "%s\n", made.error().text().c_str());
    return 2;
  }
  acceptance::Watched fixture(made.take());
  link::Cancellation stop;
  std::thread watcher(watch, std::ref(fixture), std::cref(stop));
  std::thread words(obey, std::ref(fixture), std::ref(stop));
  const Status served = commands::serve(fixture, argv[2], [](const std::string&) { tell("listening"); }, stop);
  if (!served.ok()) std::fprintf(stderr, "%s\n", served.error().text().c_str());
  stop.request();
  watcher.join();
  words.detach();  // it may still wait for a word
  return served.ok() ? 0 : 1;
}
