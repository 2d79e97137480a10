#include "host/files/board.h"

namespace tenterhook::files {

std::string Mark::text() const {
  return file + ":" + std::to_string(line) + ":" + std::to_string(column);
}

char letter(Bit bit) {
  switch (bit) {
    case Bit::zero:
      return '0';
    case Bit::one:
      return '1';
    case Bit::any:
      return 'x';
    case Bit::undriven:
      return 'z';
  }
  return '?';
}

const Line* Board::line(const std::string& name_) const {
  for (const Line& line : lines)
    if (line.name == name_) return &line;
  return nullptr;
}

const Bus* Board::bus(const std::string& name_) const {
  for (const Bus& bus : buses)
    if (bus.name == name_) return &bus;
  return nullptr;
}

const Rail* Board::rail(const std::string& name_) const {
  for (const Rail& rail : rails)
    if (rail.name == name_) return &rail;
  return nullptr;
}

const Family* Board::family_of(const Line& line) const {
  const auto found = families.find(line.family);
  return found == families.end() ? nullptr : &found->second;
}

}  // namespace tenterhook::files
