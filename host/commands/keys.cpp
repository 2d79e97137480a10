#include "host/commands/keys.h"

#include <poll.h>
#include <sys/ioctl.h>
#include <termios.h>
#include <unistd.h>

#include <cstdio>

namespace tenterhook::commands {

struct KeyMode::Saved {
  termios mode;
};

KeyMode::KeyMode() {
  termios mode;
  if (!isatty(STDIN_FILENO) || tcgetattr(STDIN_FILENO, &mode) != 0) return;
  saved_ = new Saved{mode};
  // Signals stay on: Ctrl-C must reach the safe stop.
  mode.c_lflag &= ~static_cast<tcflag_t>(ICANON | ECHO);
  mode.c_cc[VMIN] = 0;
  mode.c_cc[VTIME] = 0;
  active_ = tcsetattr(STDIN_FILENO, TCSANOW, &mode) == 0;
}

KeyMode::~KeyMode() {
  if (saved_) tcsetattr(STDIN_FILENO, TCSANOW, &saved_->mode);
  delete saved_;
}

FullScreen::FullScreen() {
  std::fputs("\x1b[?1049h\x1b[?25l", stdout);
}

FullScreen::~FullScreen() {
  std::fputs("\x1b[?25h\x1b[?1049l", stdout);
  std::fflush(stdout);
}

int FullScreen::rows() const {
  constexpr int kUsual = 24;
  winsize size{};
  return ioctl(STDOUT_FILENO, TIOCGWINSZ, &size) == 0 && size.ws_row > 0 ? size.ws_row : kUsual;
}

void FullScreen::draw(const std::string& rows) {
  std::string text = "\x1b[H";
  for (const char c : rows) {
    if (c == '\n') text += "\x1b[K";
    text += c;
  }
  text += "\x1b[K\x1b[J";
  std::fputs(text.c_str(), stdout);
  std::fflush(stdout);
}

namespace {

// One byte within wait_ms; 0 none, -1 the end.
int next_byte(int wait_ms, char& byte) {
  pollfd descriptor{STDIN_FILENO, POLLIN, 0};
  if (poll(&descriptor, 1, wait_ms) <= 0) return 0;
  const ssize_t got = read(STDIN_FILENO, &byte, 1);
  return got == 1 ? 1 : -1;
}

}  // namespace

Press next_key(int wait_ms) {
  constexpr int kEscapeMs = 20;  // the rest of an arrow key follows at once
  char byte = 0;
  const int got = next_byte(wait_ms, byte);
  if (got == 0) return {};
  if (got < 0) return {Key::end, 0};
  if (byte != '\x1b') return {Key::character, byte};
  char bracket = 0, letter = 0;
  if (next_byte(kEscapeMs, bracket) != 1 || next_byte(kEscapeMs, letter) != 1) return {};
  if (letter == 'A') return {Key::up, 0};
  if (letter == 'B') return {Key::down, 0};
  return {};
}

}  // namespace tenterhook::commands
