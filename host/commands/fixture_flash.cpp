#include "host/commands/fixture_flash.h"

#include <fmt/format.h>
#include <poll.h>
#include <spawn.h>
#include <sys/wait.h>
#include <unistd.h>

#include <chrono>
#include <csignal>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <iostream>

#include "firmware_build.h"
#include "host/commands/output.h"
#include "host/link/session.h"
#include "host/resources/resources.h"

extern char** environ;

namespace tenterhook::commands {

namespace {

constexpr int kBaud = 500000;
constexpr int kNotFound = 127;
constexpr int kKilled = -1;
constexpr std::size_t kSaidMost = 1 << 16;

// A file that goes with its owner.
struct TemporaryFile {
  std::string path;
  ~TemporaryFile() {
    if (!path.empty()) ::unlink(path.c_str());
  }
};

Result<std::string> write_hex() {
  std::string pattern = (std::filesystem::temp_directory_path() / "tenterhook-XXXXXX.hex").string();
  const int descriptor = mkstemps(pattern.data(), 4);
  if (descriptor < 0) return fixture_error(pattern, "no temporary file can be made");
  ::close(descriptor);
  std::ofstream(pattern, std::ios::binary) << resources::find("firmware.hex");
  return pattern;
}

// What avrdude did: how it ended, and what it said, the newest kSaidMost bytes.
struct Ran {
  int code = kNotFound;
  bool too_long = false;
  std::string said;
};

// Its words go to the terminal as they come (it shows its progress there), and are kept. It is ended when it
// takes longer than any chip needs: with some ports it never ends by itself.
Result<Ran> run_avrdude(const FixtureFlashOptions& options, const std::string& hex) {
  // Signature check and verification are avrdude's defaults: neither -F nor -V is ever given.
  std::vector<std::string> words{"avrdude", "-p", "m2560", "-c", options.programmer, "-P", options.port,
                                 "-D", "-U", "flash:w:" + hex + ":i"};
  std::vector<char*> arguments;
  for (std::string& word : words) arguments.push_back(word.data());
  arguments.push_back(nullptr);
  int ends[2];
  if (pipe(ends) != 0) return fixture_error("avrdude", "no pipe can be made for what it says");
  posix_spawn_file_actions_t actions;
  posix_spawn_file_actions_init(&actions);
  posix_spawn_file_actions_adddup2(&actions, ends[1], STDERR_FILENO);
  posix_spawn_file_actions_addclose(&actions, ends[0]);
  posix_spawn_file_actions_addclose(&actions, ends[1]);
  pid_t child = 0;
  const int started = posix_spawnp(&child, "avrdude", &actions, nullptr, arguments.data(), environ);
  posix_spawn_file_actions_destroy(&actions);
  ::close(ends[1]);
  Ran ran;
  if (started == 0) {
    const auto until = std::chrono::steady_clock::now() + std::chrono::seconds(options.at_most_s);
    while (true) {
      pollfd waiting{ends[0], POLLIN, 0};
      const int ready = ::poll(&waiting, 1, 200);
      char bytes[512];
      const ssize_t n = ready > 0 ? ::read(ends[0], bytes, sizeof bytes) : -1;
      if (n > 0) {
        std::fwrite(bytes, 1, static_cast<std::size_t>(n), stderr);
        ran.said.append(bytes, static_cast<std::size_t>(n));
        if (ran.said.size() > kSaidMost) ran.said.erase(0, ran.said.size() - kSaidMost);
      }
      if (ready > 0 && n == 0) break;  // it has closed its end
      if (std::chrono::steady_clock::now() > until) {
        ran.too_long = true;
        ::kill(child, SIGKILL);
        break;
      }
    }
    int status = 0;
    if (waitpid(child, &status, 0) != child) return fixture_error("avrdude", "it was lost");
    ran.code = WIFEXITED(status) ? WEXITSTATUS(status) : kKilled;
  }
  ::close(ends[0]);
  return ran;
}

// avrdude 7.1's words, seen with a missing port, a port that may not be opened, another chip and a boot loader
// that does not answer; other versions say it a little differently, so only stems are looked for.
Error explain(const FixtureFlashOptions& options, const Ran& ran) {
  const auto said = [&](const char* words) { return ran.said.find(words) != std::string::npos; };
  const std::string& port = options.port;
  if (ran.code == kNotFound && !ran.too_long) return fixture_error("avrdude", "it is not installed", "apt install avrdude");
  if (said("ermission denied")) {
    return fixture_error(port, "this user may not open it", "install the udev rule 60-tenterhook.rules, or join the port's group (dialout)");
  }
  if (said("o such file")) return fixture_error(port, "no such port; nothing was written", "plug the fixture in, and see `tenterhook fixture list`");
  if (said("xpected signature")) {
    return fixture_error(port, "the chip there is not an ATmega2560: avrdude refused it, nothing was written", "choose the port of the fixture");
  }
  if (said("mismatch") || said("verification error")) {
    return fixture_error(port, "what the chip holds is not what was written: verification failed", "flash again; twice in a row means a worn chip or a bad cable");
  }
  if (ran.too_long || said("timeout") || said("not in sync") || said("sync")) {
    return fixture_error(port, fmt::format("no boot loader answered{}", ran.too_long ? fmt::format(" within {} s", options.at_most_s) : ""),
                         "press the board's reset just before; another boot loader needs another --programmer");
  }
  return fixture_error(port, fmt::format("avrdude ended with {}: nothing is certain about the chip's program", ran.code),
                       "check the port, the programmer, and that the chip is an ATmega2560; then flash again");
}

// avrdude 7.1 tries a port that is not there, or may not be opened, over and over: it is not asked to.
Status may_be_opened(const std::string& port) {
  FixtureFlashOptions asked;
  asked.port = port;
  if (::access(port.c_str(), F_OK) != 0) return explain(asked, Ran{1, false, "no such file"});
  if (::access(port.c_str(), R_OK | W_OK) != 0) return explain(asked, Ran{1, false, "permission denied"});
  return {};
}

}  // namespace

int fixture_flash(const FixtureFlashOptions& options) {
  if (!options.yes) {
    if (!isatty(STDIN_FILENO)) {
      return tell(input_error("--yes", "firmware would be written, and nobody is at a terminal to agree",
                              "add --yes when no board is connected to the fixture"));
    }
    fmt::print(stderr, "Take the board off the fixture first: its outputs float while the firmware is written.\nType yes to go on: ");
    std::string answer;
    std::getline(std::cin, answer);
    if (answer != "yes") return kExitInterrupted;
  }
  if (auto there = may_be_opened(options.port); !there) return tell(there.error());
  auto hex = write_hex();
  if (!hex) return tell(hex.error());
  const TemporaryFile owner{*hex};
  auto ran = run_avrdude(options, *hex);
  if (!ran) return tell(ran.error());
  if (ran->code != 0) return tell(explain(options, *ran));
  auto port = link::open_port(options.port, kBaud);
  if (!port) return tell(port.error());
  auto session = link::Session::open(port.take());
  if (!session) return tell(session.error());
  const link::Identity& who = (*session)->identity();
  const std::string written = fmt::format("{:08x}", static_cast<std::uint32_t>(TENTERHOOK_FIRMWARE_BUILD));
  if (who.firmware_build != written) {
    return tell(fixture_error(options.port, fmt::format("it answers with firmware {}, but {} was written and verified", who.firmware_build, written),
                              "another program runs there: is the boot loader set to start it? Reset the board and see `tenterhook fixture list`"));
  }
  fmt::print("{}: fixture {}, firmware {}\n", options.port, who.serial, who.firmware_build);
  return kExitPass;
}

}  // namespace tenterhook::commands
