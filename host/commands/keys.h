// Keys from a terminal, one at a time, without waiting for a line.
#pragma once

#include <optional>
#include <string>

namespace tenterhook::commands {

// While it lives the terminal hands over single keys and does not echo; its old mode comes back on every
// way out of the scope. On anything that is no terminal it does nothing.
class KeyMode {
 public:
  KeyMode();
  ~KeyMode();
  KeyMode(const KeyMode&) = delete;
  KeyMode& operator=(const KeyMode&) = delete;
  bool active() const { return active_; }

 private:
  bool active_ = false;
  struct Saved;
  Saved* saved_ = nullptr;
};

// The terminal's other screen, without cursor, for as long as it lives; the old one comes back on every way out.
class FullScreen {
 public:
  FullScreen();
  ~FullScreen();
  FullScreen(const FullScreen&) = delete;
  FullScreen& operator=(const FullScreen&) = delete;
  int rows() const;
  // Row by row in place: clearing the whole screen first would flicker.
  void draw(const std::string& rows);
};

enum class Key { none, up, down, character, end };
struct Press {
  Key key = Key::none;
  char character = 0;
};

// The next key within `wait_ms`; Key::none when none came, Key::end when the input has ended.
Press next_key(int wait_ms);

}  // namespace tenterhook::commands
