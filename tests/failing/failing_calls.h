// System calls and allocations of this thread that fail on demand, for every library of the process: the
// program exports functions of the C library's names, which come before the library's own.
//
// What is counted and can fail, on any descriptor but the standard ones: open, openat, fopen, read, pread,
// write, pwrite, fsync, fdatasync, ftruncate, unlink, fcntl, fstat, socket, connect, send, poll. What
// succeeds is passed on; only fsync, fdatasync and sleeping do nothing,
// since no power is cut here and nobody else is waited for.
#pragma once

namespace tenterhook::failing {

struct Failure {
  long at = 0;            // the call with this number fails, from 1; 0: none, only counted
  bool for_ever = false;  // and all after it
  int error_number = 0;   // errno
};

// While it lives this thread's calls are counted and fail as told. Not to be nested.
class Calls {
 public:
  explicit Calls(Failure failure = {});
  ~Calls();
  Calls(const Calls&) = delete;
  Calls& operator=(const Calls&) = delete;
  long counted() const;
  // The name of the call that failed first; "" when none did.
  const char* failed() const;
};

// The same for operator new of this thread: the allocation with that number throws std::bad_alloc.
class Allocations {
 public:
  explicit Allocations(long at = 0);
  ~Allocations();
  Allocations(const Allocations&) = delete;
  Allocations& operator=(const Allocations&) = delete;
  long counted() const;
};

}  // namespace tenterhook::failing
