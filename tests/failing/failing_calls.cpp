#include "tests/failing/failing_calls.h"

#include <dlfcn.h>
#include <fcntl.h>
#include <poll.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <time.h>
#include <unistd.h>

#include <cerrno>
#include <cstdarg>
#include <cstdio>
#include <cstdlib>
#include <new>

namespace tenterhook::failing {

namespace {

constexpr int kStandard = 2;  // descriptors up to this one belong to the test program

struct State {
  bool armed = false;
  Failure failure;
  long count = 0;
  const char* failed = "";
  bool allocations = false;
  long allocate_at = 0, allocated = 0;
};
thread_local State state;

// True when this call has to fail; errno is set then.
bool fails(const char* name, int descriptor = kStandard + 1) {
  if (!state.armed || (descriptor >= 0 && descriptor <= kStandard)) return false;
  ++state.count;
  const Failure& f = state.failure;
  if (f.at == 0 || state.count < f.at || (state.count > f.at && !f.for_ever)) return false;
  if (*state.failed == '\0') state.failed = name;
  errno = f.error_number;
  return true;
}

// The C library's own function of that name.
template <class Function>
Function* own(const char* name) {
  return reinterpret_cast<Function*>(::dlsym(RTLD_NEXT, name));
}

}  // namespace

Calls::Calls(Failure failure) {
  state.failure = failure;
  state.count = 0;
  state.failed = "";
  state.armed = true;
}
Calls::~Calls() { state.armed = false; }
long Calls::counted() const { return state.count; }
const char* Calls::failed() const { return state.failed; }

Allocations::Allocations(long at) {
  state.allocate_at = at;
  state.allocated = 0;
  state.allocations = true;
}
Allocations::~Allocations() { state.allocations = false; }
long Allocations::counted() const { return state.allocated; }

}  // namespace tenterhook::failing

using tenterhook::failing::fails;
using tenterhook::failing::own;
using tenterhook::failing::state;

extern "C" {

#define TH_PASS_ON(type, name, ...)                      \
  static auto* const passed = own<type>(#name);          \
  return passed(__VA_ARGS__)

static mode_t mode_of(int flags, va_list arguments) {
  return (flags & (O_CREAT | O_TMPFILE)) != 0 ? static_cast<mode_t>(va_arg(arguments, int)) : 0;
}
int open(const char* path, int flags, ...) {
  va_list arguments;
  va_start(arguments, flags);
  const mode_t mode = mode_of(flags, arguments);
  va_end(arguments);
  if (fails("open")) return -1;
  TH_PASS_ON(int(const char*, int, ...), open, path, flags, mode);
}
int open64(const char* path, int flags, ...) {
  va_list arguments;
  va_start(arguments, flags);
  const mode_t mode = mode_of(flags, arguments);
  va_end(arguments);
  if (fails("open")) return -1;
  TH_PASS_ON(int(const char*, int, ...), open64, path, flags, mode);
}
int fcntl64(int descriptor, int command, ...) {
  va_list arguments;
  va_start(arguments, command);
  void* const argument = va_arg(arguments, void*);
  va_end(arguments);
  if (fails("fcntl", descriptor)) return -1;
  TH_PASS_ON(int(int, int, ...), fcntl64, descriptor, command, argument);
}
int fcntl(int descriptor, int command, ...) {
  va_list arguments;
  va_start(arguments, command);
  void* const argument = va_arg(arguments, void*);
  va_end(arguments);
  if (fails("fcntl", descriptor)) return -1;
  TH_PASS_ON(int(int, int, ...), fcntl, descriptor, command, argument);
}
FILE* fopen(const char* path, const char* mode) {
  if (fails("fopen")) return nullptr;
  TH_PASS_ON(FILE*(const char*, const char*), fopen, path, mode);
}
FILE* fopen64(const char* path, const char* mode) {
  if (fails("fopen")) return nullptr;
  TH_PASS_ON(FILE*(const char*, const char*), fopen64, path, mode);
}
ssize_t read(int descriptor, void* into, size_t size) {
  if (fails("read", descriptor)) return -1;
  TH_PASS_ON(ssize_t(int, void*, size_t), read, descriptor, into, size);
}
ssize_t pread(int descriptor, void* into, size_t size, off_t at) {
  if (fails("pread", descriptor)) return -1;
  TH_PASS_ON(ssize_t(int, void*, size_t, off_t), pread, descriptor, into, size, at);
}
ssize_t pread64(int descriptor, void* into, size_t size, off64_t at) {
  if (fails("pread", descriptor)) return -1;
  TH_PASS_ON(ssize_t(int, void*, size_t, off64_t), pread64, descriptor, into, size, at);
}
ssize_t write(int descriptor, const void* from, size_t size) {
  if (fails("write", descriptor)) return -1;
  TH_PASS_ON(ssize_t(int, const void*, size_t), write, descriptor, from, size);
}
ssize_t pwrite(int descriptor, const void* from, size_t size, off_t at) {
  if (fails("pwrite", descriptor)) return -1;
  TH_PASS_ON(ssize_t(int, const void*, size_t, off_t), pwrite, descriptor, from, size, at);
}
ssize_t pwrite64(int descriptor, const void* from, size_t size, off64_t at) {
  if (fails("pwrite", descriptor)) return -1;
  TH_PASS_ON(ssize_t(int, const void*, size_t, off64_t), pwrite64, descriptor, from, size, at);
}
int fsync(int descriptor) { return fails("fsync", descriptor) ? -1 : 0; }
int fdatasync(int descriptor) { return fails("fdatasync", descriptor) ? -1 : 0; }
int ftruncate(int descriptor, off_t size) noexcept {
  if (fails("ftruncate", descriptor)) return -1;
  TH_PASS_ON(int(int, off_t), ftruncate, descriptor, size);
}
int ftruncate64(int descriptor, off64_t size) noexcept {
  if (fails("ftruncate", descriptor)) return -1;
  TH_PASS_ON(int(int, off64_t), ftruncate64, descriptor, size);
}
int unlink(const char* path) noexcept {
  if (fails("unlink")) return -1;
  TH_PASS_ON(int(const char*), unlink, path);
}
int fstat(int descriptor, struct stat* into) noexcept {
  if (fails("fstat", descriptor)) return -1;
  TH_PASS_ON(int(int, struct stat*), fstat, descriptor, into);
}
int fstat64(int descriptor, struct stat64* into) noexcept {
  if (fails("fstat", descriptor)) return -1;
  TH_PASS_ON(int(int, struct stat64*), fstat64, descriptor, into);
}
int socket(int domain, int type, int protocol) noexcept {
  if (fails("socket")) return -1;
  TH_PASS_ON(int(int, int, int), socket, domain, type, protocol);
}
int connect(int descriptor, const struct sockaddr* address, socklen_t size) {
  if (fails("connect", descriptor)) return -1;
  TH_PASS_ON(int(int, const struct sockaddr*, socklen_t), connect, descriptor, address, size);
}
ssize_t send(int descriptor, const void* from, size_t size, int flags) {
  if (fails("send", descriptor)) return -1;
  TH_PASS_ON(ssize_t(int, const void*, size_t, int), send, descriptor, from, size, flags);
}
// Who waits for a lock or a retry waits for nothing here: no other program has the file.
int usleep(useconds_t duration) {
  if (state.armed) return 0;
  TH_PASS_ON(int(useconds_t), usleep, duration);
}
int nanosleep(const struct timespec* duration, struct timespec* left) {
  if (state.armed) return 0;
  TH_PASS_ON(int(const struct timespec*, struct timespec*), nanosleep, duration, left);
}
int poll(struct pollfd* asked, nfds_t count, int patience) {
  if (fails("poll")) return -1;
  TH_PASS_ON(int(struct pollfd*, nfds_t, int), poll, asked, count, patience);
}

}  // extern "C"

namespace {

void* allocate(std::size_t size) {
  if (state.allocations && ++state.allocated == state.allocate_at) throw std::bad_alloc();
  void* const memory = std::malloc(size == 0 ? 1 : size);
  if (memory == nullptr) throw std::bad_alloc();
  return memory;
}

}  // namespace

void* operator new(std::size_t size) { return allocate(size); }
void* operator new[](std::size_t size) { return allocate(size); }
void operator delete(void* memory) noexcept { std::free(memory); }
void operator delete[](void* memory) noexcept { std::free(memory); }
void operator delete(void* memory, std::size_t) noexcept { std::free(memory); }
void operator delete[](void* memory, std::size_t) noexcept { std::free(memory); }
