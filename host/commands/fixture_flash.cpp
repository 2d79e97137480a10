#include "host/commands/fixture_flash.h"

#include <fmt/format.h>
#include <spawn.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <iostream>

#include "host/commands/output.h"
#include "host/link/session.h"
#include "host/resources/resources.h"

extern char** environ;

namespace tenterhook::commands {

namespace {

constexpr int kBaud = 500000;
constexpr int kNotFound = 127;

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

// avrdude's own output goes to the terminal: it shows its progress.
Result<int> run_avrdude(const FixtureFlashOptions& options, const std::string& hex) {
  std::vector<std::string> words{"avrdude", "-p", "m2560", "-c", options.programmer, "-P", options.port,
                                 "-D", "-U", "flash:w:" + hex + ":i"};
  std::vector<char*> arguments;
  for (std::string& word : words) arguments.push_back(word.data());
  arguments.push_back(nullptr);
  pid_t child = 0;
  if (posix_spawnp(&child, "avrdude", nullptr, nullptr, arguments.data(), environ) != 0) return kNotFound;
  int status = 0;
  if (waitpid(child, &status, 0) != child || !WIFEXITED(status)) return fixture_error("avrdude", "it was killed");
  return WEXITSTATUS(status);
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
  auto hex = write_hex();
  if (!hex) return tell(hex.error());
  const TemporaryFile owner{*hex};
  auto code = run_avrdude(options, *hex);
  if (!code) return tell(code.error());
  if (*code == kNotFound) return tell(fixture_error("avrdude", "it is not installed", "apt install avrdude"));
  if (*code != 0) {
    return tell(fixture_error(options.port, fmt::format("avrdude ended with {}: nothing is certain about the chip's program", *code),
                              "check the port, the programmer, and that the chip is an ATmega2560; then flash again"));
  }
  auto port = link::open_port(options.port, kBaud);
  if (!port) return tell(port.error());
  auto session = link::Session::open(port.take());
  if (!session) return tell(session.error());
  fmt::print("{}: fixture {}, firmware {}\n", options.port, (*session)->identity().serial, (*session)->identity().firmware_build);
  return kExitPass;
}

}  // namespace tenterhook::commands
