// Something at the other end of a pseudo-terminal that is no fixture of today: silent, at another baud rate
// (what arrives is noise), or a firmware of an older protocol.
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

#include "firmware/wire/frame.h"
#include "firmware/wire/message.h"

namespace tenterhook {

class Answering {
 public:
  enum class With { nothing, garbage, old_protocol };
  struct Options {
    With with = With::nothing;
  };
  explicit Answering(const Options& options) : with_(options.with) {
    master_ = posix_openpt(O_RDWR | O_NOCTTY);
    grantpt(master_);
    unlockpt(master_);
    path_ = ptsname(master_);
    slave_ = open(path_.c_str(), O_RDWR | O_NOCTTY);
    termios raw{};
    tcgetattr(slave_, &raw);
    cfmakeraw(&raw);
    tcsetattr(slave_, TCSANOW, &raw);
    thread_ = std::thread([this] { serve(); });
  }
  ~Answering() {
    over_ = true;
    thread_.join();
    close(slave_);
    close(master_);
  }
  const std::string& path() const { return path_; }

 private:
  void serve() {
    wire::FrameReader reader;
    std::uint32_t noise = 1;
    while (!over_) {
      pollfd waiting{master_, POLLIN, 0};
      std::uint8_t b = 0;
      if (::poll(&waiting, 1, 50) <= 0 || ::read(master_, &b, 1) != 1) continue;
      if (with_ == With::garbage) {
        noise = noise * 1664525u + 1013904223u;
        const auto wrong = static_cast<std::uint8_t>(noise >> 24);
        if (::write(master_, &wrong, 1) != 1) return;
      } else if (with_ == With::old_protocol && reader.put(b) == wire::FrameReader::Got::frame) {
        answer(reader);
      }
    }
  }

  void answer(const wire::FrameReader& reader) {
    wire::Hello hello;
    if (reader.header().type != wire::Type::hello || !wire::decode(reader.payload(), reader.payload_size(), hello)) return;
    wire::HelloReply reply;
    reply.protocol_major = wire::kProtocolMajor - 1;
    reply.nonce = hello.nonce;
    std::uint8_t payload[wire::kPayloadBytesMax], line[wire::kLineBytesMax];
    const std::uint16_t size = wire::encode(reply, payload, sizeof payload);
    wire::Header header;
    header.type = wire::Type::hello_reply;
    const std::uint16_t bytes = wire::make_frame(header, payload, size, line);
    if (::write(master_, line, bytes) < 0) over_ = true;
  }

  With with_;
  std::atomic<bool> over_{false};
  int master_ = -1, slave_ = -1;
  std::string path_;
  std::thread thread_;
};

}  // namespace tenterhook
