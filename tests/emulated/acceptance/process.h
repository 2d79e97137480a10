// The program in a process of its own, in a home of its own.
#pragma once

#include <fcntl.h>
#include <signal.h>
#include <sys/wait.h>
#include <unistd.h>

#include <chrono>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <sstream>
#include <string>
#include <thread>
#include <vector>

namespace tenterhook::acceptance {

namespace fs = std::filesystem;
using Clock = std::chrono::steady_clock;

struct Folder {
  std::string path;
  Folder() {
    std::string name = (fs::temp_directory_path() / "acceptXXXXXX").string();
    path = ::mkdtemp(name.data());
  }
  ~Folder() { fs::remove_all(path); }
};

inline std::string content(const std::string& path) {
  std::ifstream file(path, std::ios::binary);
  std::stringstream text;
  text << file.rdbuf();
  return text.str();
}

// One process of the program, its outputs in files.
class Process {
 public:
  Process(const Folder& folder, const std::string& name, std::vector<std::string> words)
      : out_(folder.path + "/" + name + ".out"), err_(folder.path + "/" + name + ".err") {
    words.insert(words.begin(), TH_BINARY);
    std::vector<char*> argv;
    for (std::string& word : words) argv.push_back(word.data());
    argv.push_back(nullptr);
    const std::string home = folder.path;
    pid_ = ::fork();
    if (pid_ == 0) {
      ::setenv("HOME", home.c_str(), 1);
      ::setenv("XDG_DATA_HOME", home.c_str(), 1);
      ::setenv("XDG_CONFIG_HOME", home.c_str(), 1);
      ::dup2(::open("/dev/null", O_RDONLY), 0);
      ::dup2(::open(out_.c_str(), O_CREAT | O_WRONLY | O_TRUNC, 0600), 1);
      ::dup2(::open(err_.c_str(), O_CREAT | O_WRONLY | O_TRUNC, 0600), 2);
      ::execv(TH_BINARY, argv.data());
      ::_exit(127);
    }
  }
  ~Process() {
    if (pid_ > 0) {
      ::kill(pid_, SIGKILL);
      ::waitpid(pid_, nullptr, 0);
    }
  }
  bool running() {
    if (pid_ <= 0) return false;
    if (::waitpid(pid_, &status_, WNOHANG) == pid_) pid_ = -1;
    return pid_ > 0;
  }
  // The exit code; 128 + n when killed by signal n, -1 when it does not end in time.
  int ended(double within_s = 240.0) {
    const auto until = Clock::now() + std::chrono::duration<double>(within_s);
    while (running() && Clock::now() < until) std::this_thread::sleep_for(std::chrono::milliseconds(5));
    if (pid_ > 0) return -1;
    return WIFEXITED(status_) ? WEXITSTATUS(status_) : 128 + WTERMSIG(status_);
  }
  void send(int signal) { ::kill(pid_, signal); }
  std::string out() const { return content(out_); }
  std::string err() const { return content(err_); }
  // Waits until its standard output holds `text`.
  bool says(const std::string& text, double within_s = 60.0) {
    const auto until = Clock::now() + std::chrono::duration<double>(within_s);
    while (Clock::now() < until) {
      if (out().find(text) != std::string::npos) return true;
      if (!running()) return out().find(text) != std::string::npos;
      std::this_thread::sleep_for(std::chrono::milliseconds(5));
    }
    return false;
  }

 private:
  std::string out_, err_;
  pid_t pid_ = -1;
  int status_ = 0;
};

}  // namespace tenterhook::acceptance
