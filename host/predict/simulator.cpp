#include "host/predict/simulator.h"

#include <dlfcn.h>
#include <fcntl.h>
#include <fmt/format.h>
#include <ngspice/sharedspice.h>
#include <poll.h>
#include <signal.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cerrno>
#include <chrono>
#include <cmath>
#include <complex>
#include <cstdint>
#include <cstdlib>
#include <cstring>

namespace tenterhook::predict {
namespace {

constexpr const char* kLibrary = "libngspice.so.0";
constexpr std::uint32_t kMessageMax = 256u << 20;
constexpr std::size_t kSaidMax = 4096;     // bytes of the simulator's own words kept
constexpr rlim_t kMemoryMax = 2ull << 30;  // bytes of address space of the child
constexpr Seconds kStartLimit{20.0};

// --- messages: 32-bit length, then the parts, each with its own length ---

bool send_all(int fd, const char* data, std::size_t size) {
  while (size > 0) {
    const ssize_t n = send(fd, data, size, MSG_NOSIGNAL);
    if (n < 0 && errno == EINTR) continue;
    if (n <= 0) return false;
    data += n;
    size -= static_cast<std::size_t>(n);
  }
  return true;
}

// Reads exactly `size` bytes before the deadline. 1 done, 0 time-out, -1 closed.
int receive_all(int fd, char* data, std::size_t size,
                std::chrono::steady_clock::time_point deadline) {
  while (size > 0) {
    const auto left = std::chrono::duration_cast<std::chrono::milliseconds>(
        deadline - std::chrono::steady_clock::now());
    if (left.count() <= 0) return 0;
    pollfd p{fd, POLLIN, 0};
    const int ready = poll(&p, 1, static_cast<int>(left.count()) + 1);
    if (ready < 0 && errno == EINTR) continue;
    if (ready == 0) return 0;
    const ssize_t n = recv(fd, data, size, 0);
    if (n < 0 && errno == EINTR) continue;
    if (n <= 0) return -1;
    data += n;
    size -= static_cast<std::size_t>(n);
  }
  return 1;
}

void put(std::string& out, const void* data, std::size_t size) {
  const auto n = static_cast<std::uint32_t>(size);
  out.append(reinterpret_cast<const char*>(&n), sizeof n);
  out.append(static_cast<const char*>(data), size);
}
void put(std::string& out, const std::string& text) {
  put(out, text.data(), text.size());
}

bool get(std::string_view& in, std::string_view& part) {
  std::uint32_t n = 0;
  if (in.size() < sizeof n) return false;
  std::memcpy(&n, in.data(), sizeof n);
  in.remove_prefix(sizeof n);
  if (in.size() < n) return false;
  part = in.substr(0, n);
  in.remove_prefix(n);
  return true;
}

// --- the child ---

struct Api {
  int (*init)(SendChar*, SendStat*, ControlledExit*, SendData*, SendInitData*, BGThreadRunning*,
              void*);
  int (*circuit)(char**);
  int (*command)(char*);
  pvector_info (*vector)(char*);
};

std::string said;
bool complained = false;

int on_text(char* text, int, void*) {
  const std::string line = text;
  for (const char* word : {"rror", "aborted", "no such", "iteration limit", "Unknown", "unknown"}) {
    if (line.find(word) != std::string::npos) complained = true;
  }
  const auto start = line.find(' ');
  if (said.size() < kSaidMax && start != std::string::npos && start + 1 < line.size()) {
    const std::string body = line.substr(start + 1);
    const bool chatter = body.rfind("Circuit:", 0) == 0 || body.rfind("Doing analysis", 0) == 0 ||
                         body.rfind("Note:", 0) == 0 || body.rfind("Using ", 0) == 0 ||
                         body.rfind("No. of Data", 0) == 0;
    if (!chatter) said += body + "\n";
  }
  return 0;
}
int on_exit(int, NG_BOOL, NG_BOOL, int, void*) {
  _exit(3);
}

bool load(Api& api) {
  void* library = dlopen(kLibrary, RTLD_NOW | RTLD_LOCAL);
  if (library == nullptr) {
    said = dlerror();
    return false;
  }
  const auto find = [&](auto& pointer, const char* name) {
    pointer = reinterpret_cast<std::remove_reference_t<decltype(pointer)>>(dlsym(library, name));
    return pointer != nullptr;
  };
  if (!find(api.init, "ngSpice_Init") || !find(api.circuit, "ngSpice_Circ") ||
      !find(api.command, "ngSpice_Command") || !find(api.vector, "ngGet_Vec_Info")) {
    said = "a function of the simulator's library is missing";
    return false;
  }
  api.init(on_text, nullptr, on_exit, nullptr, nullptr, nullptr, nullptr);
  return true;
}

void command(const Api& api, std::string text) {
  api.command(text.data());
}

// The reply's part for one vector: doubles, or empty when absent.
std::vector<double> fetch(const Api& api, std::string name) {
  std::vector<double> out;
  const pvector_info info = api.vector(name.data());
  if (info == nullptr || info->v_length <= 0) return out;
  for (int i = 0; i < info->v_length; ++i) {
    if (info->v_realdata != nullptr)
      out.push_back(info->v_realdata[i]);
    else if (info->v_compdata != nullptr) {
      out.push_back(std::hypot(info->v_compdata[i].cx_real, info->v_compdata[i].cx_imag));
    }
  }
  return out;
}

std::string one_job(const Api& api, std::string_view request) {
  std::string_view netlist, analysis, name;
  std::string reply;
  get(request, netlist);
  get(request, analysis);
  std::string text(netlist);
  std::vector<char*> cards;
  for (std::size_t at = 0; at < text.size();) {
    const std::size_t end = text.find('\n', at);
    text[end] = '\0';
    cards.push_back(text.data() + at);
    at = end + 1;
  }
  cards.push_back(nullptr);
  said.clear();
  complained = false;
  api.circuit(cards.data());
  if (!complained) command(api, std::string(analysis));
  std::vector<std::vector<double>> vectors;
  while (!complained && get(request, name)) vectors.push_back(fetch(api, std::string(name)));
  const char good = complained ? 0 : 1;
  put(reply, &good, 1);
  put(reply, said);
  for (const auto& v : vectors) put(reply, v.data(), v.size() * sizeof(double));
  command(api, "destroy all");
  command(api, "remcirc");
  api.command(nullptr);
  return reply;
}

bool send_message(int fd, const std::string& body) {
  const auto n = static_cast<std::uint32_t>(body.size());
  return send_all(fd, reinterpret_cast<const char*>(&n), sizeof n) &&
         send_all(fd, body.data(), body.size());
}

[[noreturn]] void child_main(int fd, const char* folder) {
  prctl(PR_SET_PDEATHSIG, SIGKILL);
  setpgid(0, 0);
  const int null = open("/dev/null", O_RDWR);
  for (int target = 0; target < 3; ++target) dup2(null, target);
  dup2(fd, 3);
  for (int other = 4; other < 1024; ++other) close(other);
  fd = 3;
  for (int s : {SIGINT, SIGTERM, SIGHUP, SIGQUIT}) signal(s, SIG_IGN);
  const rlimit memory{kMemoryMax, kMemoryMax}, none{0, 0};
#if !defined(__SANITIZE_ADDRESS__)
  setrlimit(RLIMIT_AS, &memory);
#else
  (void)memory;
#endif
  setrlimit(RLIMIT_FSIZE, &none);
  setrlimit(RLIMIT_CORE, &none);
  if (chdir(folder) != 0) _exit(4);
  clearenv();
  setenv("HOME", folder, 1);
  setenv("LC_ALL", "C", 1);
  setlocale(LC_ALL, "C");
  Api api{};
  const bool loaded = load(api);
  std::string hello;
  put(hello, loaded ? "ok" : said);
  if (!send_message(fd, hello) || !loaded) _exit(5);
  const auto never = std::chrono::steady_clock::now() + std::chrono::hours(24 * 365);
  while (true) {
    std::uint32_t n = 0;
    if (receive_all(fd, reinterpret_cast<char*>(&n), sizeof n, never) != 1 || n > kMessageMax)
      _exit(0);
    std::string request(n, '\0');
    if (receive_all(fd, request.data(), n, never) != 1) _exit(0);
    if (!send_message(fd, one_job(api, request))) _exit(0);
  }
}

std::string first_lines(std::string_view text) {
  std::string out;
  int lines = 0;
  for (char c : text) {
    if (c == '\n') {
      if (++lines == 4) break;
      out += "; ";
    } else {
      out += c;
    }
  }
  while (!out.empty() && (out.back() == ' ' || out.back() == ';')) out.pop_back();
  return out;
}

}  // namespace

struct Simulator::Child {
  pid_t pid = -1;
  int fd = -1;
  int jobs = 0;
  std::string folder;
};

Simulator::Simulator() = default;
Simulator::~Simulator() {
  stop();
}
int Simulator::processes_started() const {
  return started_;
}

void Simulator::stop() {
  if (!child_) return;
  if (child_->fd >= 0) close(child_->fd);
  if (child_->pid > 0) {
    kill(-child_->pid, SIGKILL);
    kill(child_->pid, SIGKILL);
    while (waitpid(child_->pid, nullptr, 0) < 0 && errno == EINTR) {
    }
  }
  if (!child_->folder.empty()) rmdir(child_->folder.c_str());
  child_.reset();
}

Status Simulator::start() {
  const char* base = std::getenv("TMPDIR");
  std::string folder =
      std::string(base != nullptr && *base != '\0' ? base : "/tmp") + "/tenterhook-XXXXXX";
  if (mkdtemp(folder.data()) == nullptr) {
    return fixture_error(folder,
                         fmt::format("no empty folder for the simulator: {}", std::strerror(errno)),
                         "check TMPDIR");
  }
  int ends[2];
  if (socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, ends) != 0) {
    rmdir(folder.c_str());
    return fixture_error({}, fmt::format("no channel to the simulator: {}", std::strerror(errno)));
  }
  child_ = std::make_unique<Child>();
  child_->folder = folder;
  child_->fd = ends[0];
  child_->pid = fork();
  if (child_->pid == 0) child_main(ends[1], folder.c_str());
  close(ends[1]);
  if (child_->pid < 0) {
    stop();
    return fixture_error({}, fmt::format("cannot start the simulator: {}", std::strerror(errno)));
  }
  ++started_;
  const auto deadline = std::chrono::steady_clock::now() +
                        std::chrono::milliseconds(static_cast<long>(kStartLimit.value * 1000.0));
  std::uint32_t n = 0;
  std::string body;
  int got = receive_all(child_->fd, reinterpret_cast<char*>(&n), sizeof n, deadline);
  if (got == 1 && n < kMessageMax) {
    body.resize(n);
    got = receive_all(child_->fd, body.data(), n, deadline);
  }
  std::string_view in = body, hello;
  if (got != 1 || !get(in, hello) || hello != "ok") {
    const std::string why = hello.empty() ? "it does not answer" : std::string(hello);
    stop();
    return fixture_error({}, "the circuit simulator cannot be started: " + why,
                         std::string("install the package that has ") + kLibrary);
  }
  return {};
}

Result<Solution> Simulator::solve(const FlatCircuit& circuit,
                                  const std::vector<std::string>& vectors,
                                  const std::string& analysis, Seconds limit) {
  const std::string& what = analysis.empty() ? circuit.analysis : analysis;
  if (what.empty()) return bug_error("the simulator was given no analysis");
  if (child_ && child_->jobs >= kJobsMax) stop();
  if (!child_) TH_TRY(start());
  ++child_->jobs;

  std::string netlist, request;
  for (const std::string& card : circuit.cards) netlist += card + '\n';
  put(request, netlist);
  put(request, what);
  const bool op = what == "op";
  if (!op) put(request, what[0] == 't' ? "time" : "frequency");
  for (const std::string& name : vectors) {
    const bool current = name.size() > 3 && name[0] == 'i' && name[1] == '(';
    put(request, current ? name.substr(2, name.size() - 3) + "#branch" : "v(" + name + ")");
  }
  const auto deadline = std::chrono::steady_clock::now() +
                        std::chrono::milliseconds(static_cast<long>(limit.value * 1000.0));
  std::uint32_t n = 0;
  std::string body;
  int got = send_message(child_->fd, request) ? 1 : -1;
  if (got == 1) got = receive_all(child_->fd, reinterpret_cast<char*>(&n), sizeof n, deadline);
  if (got == 1 && n > kMessageMax) got = -1;
  if (got == 1) {
    body.resize(n);
    got = receive_all(child_->fd, body.data(), n, deadline);
  }
  if (got != 1) {
    stop();
    if (got == 0) {
      return input_error(
          {}, fmt::format("the simulator found no answer within {} s and was stopped", limit.value),
          "look for an oscillating or nearly singular circuit, or shorten .tran");
    }
    return input_error({}, "the simulator gave up on this circuit and left",
                       "simplify the circuit until it answers");
  }
  std::string_view in = body, good, words, part;
  if (!get(in, good) || !get(in, words)) return bug_error("the simulator's reply is malformed");
  if (good[0] == 0) {
    return input_error({}, "the simulator refuses this circuit: " + first_lines(words),
                       "check values and connections");
  }
  Solution out;
  std::vector<std::vector<double>> all;
  while (get(in, part)) {
    std::vector<double> v(part.size() / sizeof(double));
    std::memcpy(v.data(), part.data(), v.size() * sizeof(double));
    all.push_back(std::move(v));
  }
  const std::size_t offset = op ? 0 : 1;
  if (all.size() != vectors.size() + offset)
    return bug_error("the simulator's reply lacks vectors");
  if (op)
    out.scale = {0.0};
  else
    out.scale = std::move(all[0]);
  for (std::size_t i = 0; i < vectors.size(); ++i) {
    std::vector<double>& v = all[i + offset];
    if (v.size() != out.scale.size() || v.empty()) {
      return input_error({}, fmt::format("the simulator gave no voltage for {}; {}", vectors[i],
                                         first_lines(words)));
    }
    for (double x : v) {
      if (!std::isfinite(x)) {
        return input_error({}, fmt::format("{} has no finite value", vectors[i]));
      }
    }
    out.vectors.push_back(std::move(v));
  }
  return out;
}

}  // namespace tenterhook::predict
