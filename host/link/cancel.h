// The person's wish to stop (Ctrl-C), carried from a signal handler to every wait of the link.
#pragma once

#include <atomic>

namespace tenterhook::link {

class Cancellation {
 public:
  // Safe in a signal handler and from any thread.
  void request() { requested_.store(true); }
  bool requested() const { return requested_.load(); }

 private:
  std::atomic<bool> requested_{false};
  static_assert(std::atomic<bool>::is_always_lock_free);
};

}  // namespace tenterhook::link
