// Real serial devices: the only file that knows libserialport.
//
// Learnt by trying version 0.1.1: after an unplug its reads return 0 for ever, as if nothing had
// come, so every such 0 is followed by a question that does fail; flow control has to be set to
// none; and a second open of one device succeeds, so a lock is taken.
#include <fcntl.h>
#include <fmt/format.h>
#include <libserialport.h>
#include <linux/serial.h>
#include <poll.h>
#include <sys/ioctl.h>

#include <cerrno>
#include <chrono>
#include <thread>

#include "host/link/port_stream.h"

namespace tenterhook::link {
namespace {

Error unplugged(const std::string& path) {
  return fixture_error(path, "the cable is gone: the system no longer knows this port",
                       "plug the fixture in again; a poor cable, a hub or a brown-out of the controller can do this");
}

struct PortFree {
  void operator()(sp_port* port) const { sp_free_port(port); }
};
using PortHandle = std::unique_ptr<sp_port, PortFree>;

class SerialPort final : public Port {
 public:
  SerialPort(PortHandle port, int descriptor, std::string path)
      : port_(std::move(port)), descriptor_(descriptor), path_(std::move(path)) {}
  ~SerialPort() override { sp_close(port_.get()); }
  SerialPort(const SerialPort&) = delete;
  SerialPort& operator=(const SerialPort&) = delete;

  Result<std::size_t> read(std::span<std::uint8_t> into, Seconds patience) override {
    // poll() rather than libserialport's blocking read, which spins after an unplug.
    auto ready = wait_ready(descriptor_, POLLIN, patience, path_);
    if (!ready) return ready.error();
    const int n = sp_nonblocking_read(port_.get(), into.data(), into.size());
    if (n > 0) return static_cast<std::size_t>(n);
    if (n < 0) return unplugged(path_);
    if (sp_input_waiting(port_.get()) < 0) return unplugged(path_);
    // Readable, yet nothing there and still plugged in: do not spin on it.
    if (*ready) std::this_thread::sleep_for(std::chrono::milliseconds(1));
    return std::size_t{0};
  }

  Status write(std::span<const std::uint8_t> bytes) override {
    const Seconds until = wall_clock() + kWritePatience;
    std::size_t done = 0;
    while (done < bytes.size()) {  // bounded: each turn writes or waits, until the time is up
      const int n = sp_nonblocking_write(port_.get(), bytes.data() + done, bytes.size() - done);
      if (n < 0) return unplugged(path_);
      done += static_cast<std::size_t>(n);
      if (n > 0) continue;
      if (sp_input_waiting(port_.get()) < 0) return unplugged(path_);
      const Seconds left = until - wall_clock();
      if (left <= Seconds{0.0}) {
        return fixture_error(path_, fmt::format("the port took no bytes for {}", text(kWritePatience)),
                             "unplug the fixture and plug it in again");
      }
      auto ready = wait_ready(descriptor_, POLLOUT, left, path_);
      if (!ready) return ready.error();
    }
    return {};
  }

  Seconds now() override { return wall_clock(); }
  std::string describe() const override { return path_; }

 private:
  PortHandle port_;
  int descriptor_;
  std::string path_;
};

// Some bridges hold received bytes back for 16 ms; where the driver lets us, it is told not to.
// Failure is harmless: the session measures the round trip and says so when it is slow.
void ask_low_latency(int descriptor) {
  serial_struct settings{};
  if (::ioctl(descriptor, TIOCGSERIAL, &settings) != 0) return;
  settings.flags |= ASYNC_LOW_LATENCY;
  ::ioctl(descriptor, TIOCSSERIAL, &settings);
}

Status configure(sp_port* port, const std::string& path, int baud) {
  const bool right = sp_set_baudrate(port, baud) == SP_OK && sp_set_bits(port, 8) == SP_OK &&
                     sp_set_parity(port, SP_PARITY_NONE) == SP_OK && sp_set_stopbits(port, 1) == SP_OK &&
                     sp_set_flowcontrol(port, SP_FLOWCONTROL_NONE) == SP_OK;
  if (!right) {
    return fixture_error(path, fmt::format("the port does not do {} baud, 8 bits, no parity, no flow control", baud),
                         "try another --baud or another USB bridge");
  }
  sp_flush(port, SP_BUF_BOTH);  // what was left from an earlier user
  return {};
}

}  // namespace

Result<std::unique_ptr<Port>> open_serial(const std::string& path, int baud) {
  sp_port* raw = nullptr;
  if (sp_get_port_by_name(path.c_str(), &raw) != SP_OK) return refused(path, ENOTTY);
  PortHandle port(raw);
  errno = 0;
  if (sp_open(port.get(), SP_MODE_READ_WRITE) != SP_OK) {
    const int why = sp_last_error_code();
    return refused(path, why != 0 ? why : errno);
  }
  int descriptor = -1;
  if (sp_get_port_handle(port.get(), &descriptor) != SP_OK) {
    sp_close(port.get());
    return refused(path, ENOTTY);
  }
  Status ready = lock_device(descriptor, path);
  if (ready.ok()) ready = configure(port.get(), path, baud);
  if (!ready.ok()) {
    sp_close(port.get());
    return ready.error();
  }
  // Programs that know nothing of the lock are kept out by the driver (it lets root in). Not for
  // pseudo-terminals: there it would outlive this program while the server holds the other end.
  ::ioctl(descriptor, TIOCEXCL);
  ask_low_latency(descriptor);
  return std::unique_ptr<Port>(std::make_unique<SerialPort>(std::move(port), descriptor, path));
}

Result<std::vector<PortInfo>> list_ports() {
  sp_port** list = nullptr;
  if (sp_list_ports(&list) != SP_OK) {
    return fixture_error("", "the system does not list its serial ports", "is /sys mounted?");
  }
  const auto words = [](const char* text) { return std::string(text != nullptr ? text : ""); };
  constexpr int kPortsMax = 1024;
  std::vector<PortInfo> found;
  for (int i = 0; i < kPortsMax && list[i] != nullptr; ++i) {
    PortInfo info;
    info.path = words(sp_get_port_name(list[i]));
    info.description = words(sp_get_port_description(list[i]));
    if (sp_get_port_transport(list[i]) == SP_TRANSPORT_USB) {
      sp_get_port_usb_vid_pid(list[i], &info.usb_vendor, &info.usb_product);
      info.serial = words(sp_get_port_usb_serial(list[i]));
    }
    found.push_back(std::move(info));
  }
  sp_free_port_list(list);
  return found;
}

}  // namespace tenterhook::link
