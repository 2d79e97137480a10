// A boot loader of the controller board, on a pseudo-terminal: the serial protocol that avrdude calls
// "wiring" (Atmel application note AVR068, STK500 version 2 messages), as far as avrdude uses it: sign-on,
// signature, pages of flash in and out. It has a memory, and can be another chip or lose a bit.
#pragma once

#include <fcntl.h>
#include <poll.h>
#include <termios.h>
#include <unistd.h>

#include <atomic>
#include <cstdint>
#include <cstdlib>
#include <string>
#include <thread>
#include <vector>

namespace tenterhook {

class BootLoader {
 public:
  struct Chip {
    std::uint8_t signature[3] = {0x1E, 0x98, 0x01};  // ATmega2560
    int bad_byte = -1;                               // reads back with one bit turned
  };
  explicit BootLoader(const Chip& chip) : chip_(chip), flash_(256 * 1024, 0xFF) {
    master_ = posix_openpt(O_RDWR | O_NOCTTY);
    grantpt(master_);
    unlockpt(master_);
    path_ = ptsname(master_);
    slave_ = open(path_.c_str(), O_RDWR | O_NOCTTY);  // held, so that the other end may come and go
    termios raw{};
    tcgetattr(slave_, &raw);
    cfmakeraw(&raw);
    tcsetattr(slave_, TCSANOW, &raw);
    thread_ = std::thread([this] { serve(); });
  }
  ~BootLoader() {
    over_ = true;
    thread_.join();
    close(slave_);
    close(master_);
  }
  const std::string& path() const { return path_; }
  const std::vector<std::uint8_t>& flash() const { return flash_; }
  int pages_written() const { return pages_; }

 private:
  bool byte(std::uint8_t& out) {
    while (!over_) {
      pollfd waiting{master_, POLLIN, 0};
      if (::poll(&waiting, 1, 50) > 0 && ::read(master_, &out, 1) == 1) return true;
    }
    return false;
  }

  void serve() {
    std::uint8_t b = 0;
    while (byte(b)) {
      if (b != 0x1B) continue;
      std::uint8_t head[4];  // sequence, size, token
      for (auto& h : head) {
        if (!byte(h)) return;
      }
      if (head[3] != 0x0E) continue;
      std::vector<std::uint8_t> body(static_cast<std::size_t>(head[1]) << 8 | head[2]);
      for (auto& d : body) {
        if (!byte(d)) return;
      }
      if (!byte(b)) return;  // checksum
      if (!body.empty()) answer(head[0], reply_to(body));
    }
  }

  std::vector<std::uint8_t> reply_to(const std::vector<std::uint8_t>& q) {
    const std::uint8_t command = q[0];
    switch (command) {
      case 0x01: return {command, 0, 8, 'A', 'V', 'R', 'I', 'S', 'P', '_', '2'};
      case 0x03: return {command, 0, 2};  // a parameter
      case 0x06:
        address_ = 2u * ((std::uint32_t{q[1]} & 0x7F) << 24 | std::uint32_t{q[2]} << 16 | std::uint32_t{q[3]} << 8 | q[4]);
        return {command, 0};
      case 0x13: {
        const std::size_t size = static_cast<std::size_t>(q[1]) << 8 | q[2];
        for (std::size_t i = 0; i < size && address_ < flash_.size(); ++i) flash_[address_++] = q[10 + i];
        ++pages_;
        return {command, 0};
      }
      case 0x14: {
        const std::size_t size = static_cast<std::size_t>(q[1]) << 8 | q[2];
        std::vector<std::uint8_t> r{command, 0};
        for (std::size_t i = 0; i < size && address_ < flash_.size(); ++i, ++address_) {
          r.push_back(flash_[address_] ^ (static_cast<int>(address_) == chip_.bad_byte ? 0x10 : 0));
        }
        r.push_back(0);
        return r;
      }
      case 0x1B: return {command, 0, chip_.signature[q[4] % 3], 0};
      case 0x1D: {
        const bool signature = q.size() > 6 && q[4] == 0x30;
        return {command, 0, 0, q[4], q[5], signature ? chip_.signature[q[6] % 3] : std::uint8_t{0}, 0};
      }
      default: return {command, 0, 0, 0};
    }
  }

  void answer(std::uint8_t sequence, const std::vector<std::uint8_t>& body) {
    std::vector<std::uint8_t> m{0x1B, sequence, static_cast<std::uint8_t>(body.size() >> 8), static_cast<std::uint8_t>(body.size()), 0x0E};
    m.insert(m.end(), body.begin(), body.end());
    std::uint8_t sum = 0;
    for (const std::uint8_t b : m) sum ^= b;
    m.push_back(sum);
    if (::write(master_, m.data(), m.size()) < 0) over_ = true;
  }

  Chip chip_;
  std::vector<std::uint8_t> flash_;
  std::uint32_t address_ = 0;
  std::atomic<int> pages_{0};
  std::atomic<bool> over_{false};
  int master_ = -1, slave_ = -1;
  std::string path_;
  std::thread thread_;
};

}  // namespace tenterhook
