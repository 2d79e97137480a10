#include "host/commands/fixture_list.h"

#include <fmt/format.h>

#include <nlohmann/json.hpp>

#include "host/commands/output.h"
#include "host/link/port.h"
#include "host/link/session.h"

namespace tenterhook::commands {

namespace {

constexpr int kBaud = 500000;

struct Asked {
  link::PortInfo port;
  std::string fixture, serial, firmware;  // of what answered
  std::string trouble;                    // else why not
};

Asked ask(const link::PortInfo& port) {
  Asked asked{port, {}, {}, {}, {}};
  auto opened = link::open_port(port.path, kBaud);
  if (!opened) {
    asked.trouble = opened.error().text();
    return asked;
  }
  auto session = link::Session::open(opened.take());
  if (!session) {
    asked.trouble = session.error().text();
    return asked;
  }
  const link::Identity& who = (*session)->identity();
  asked.fixture = who.fixture;
  asked.serial = who.serial;
  asked.firmware = who.firmware_build;
  return asked;
}

nlohmann::json json_of(const Asked& asked) {
  nlohmann::json j{{"port", asked.port.path}, {"description", asked.port.description}};
  if (asked.trouble.empty()) {
    j["fixture"] = asked.fixture;
    j["serial"] = asked.serial;
    j["firmware"] = asked.firmware;
  } else {
    j["trouble"] = asked.trouble;
  }
  return j;
}

}  // namespace

int fixture_list(const FixtureListOptions& options) {
  auto ports = link::list_ports();
  if (!ports) return tell(ports.error());
  for (const std::string& address : options.also) {
    link::PortInfo port;
    port.path = address;
    ports->push_back(port);
  }
  const bool words = options.json != "-";
  nlohmann::json all = nlohmann::json::array();
  for (const link::PortInfo& port : *ports) {
    const Asked asked = ask(port);
    all.push_back(json_of(asked));
    if (!words) continue;
    if (asked.trouble.empty()) {
      fmt::print("{}: fixture {} {}, firmware {}\n", port.path, asked.fixture, asked.serial, asked.firmware);
    } else {
      fmt::print("{}{}: no fixture: {}\n", port.path, port.description.empty() ? "" : " (" + port.description + ")", asked.trouble);
    }
  }
  if (words && ports->empty()) {
    fmt::print("no serial port is there; plug the fixture in, and look whether the system sees it (dmesg)\n");
  }
  if (options.json.empty()) return kExitPass;
  auto written = write_text(options.json, nlohmann::json{{"ports", all}}.dump(2) + "\n");
  return written ? kExitPass : tell(written.error());
}

}  // namespace tenterhook::commands
