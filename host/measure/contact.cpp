#include "host/measure/contact.h"

#include <fmt/format.h>

namespace tenterhook::measure {

Volts pulled_open_reads(Volts open_reads, Ohms divider, Pull pull) {
  const Volts volts{pull == Pull::low ? 5.0 : 24.0};
  const Ohms ohms{pull == Pull::low ? 10e3 : 1e6};
  const double up = 1.0 / ohms.value;
  const double load = 1.0 / divider.value;
  return (volts * up + open_reads * load) / (up + load);
}

Contact contact_of(Volts plain, Volts pulled, Volts U, Volts open_reads, Ohms divider, std::optional<Volts> high) {
  const Volts reach = kPullProof + U;
  if (abs(pulled - pulled_open_reads(open_reads, divider)) > reach) return Contact::proven;
  if (high) {
    const Volts far = abs(*high - pulled_open_reads(open_reads, divider, Pull::high));
    if (far > kHighPullProof + U) return Contact::proven;
    return Contact::open;
  }
  return abs(plain - open_reads) <= reach ? Contact::open : Contact::unknown;
}

int apply_open_lead_rule(const std::vector<Reading*>& run, Volts open_reads, bool proven_before,
                         bool proven_after) {
  auto away = [&](const Reading& r) { return abs(r.volts - open_reads) > kOpenLeadZone + r.U; };

  std::vector<bool> proof_after(run.size());
  bool seen = proven_after;
  for (std::size_t i = run.size(); i-- > 0;) {
    seen = seen || away(*run[i]);
    proof_after[i] = seen;
  }

  int turned = 0;
  seen = proven_before;
  for (std::size_t i = 0; i < run.size(); ++i) {
    seen = seen || away(*run[i]);
    Reading& r = *run[i];
    if (r.verdict != Verdict::pass || away(r) || (seen && proof_after[i])) continue;
    r.verdict = Verdict::unsure;
    r.why = fmt::format(
        "an unconnected lead reads {:+.2f} V too, and {} lead never showed another level {} this "
        "reading; add a vector that drives {} high, or check its contact",
        open_reads.value, r.line, seen ? "after" : "before", r.line);
    ++turned;
  }
  return turned;
}

}  // namespace tenterhook::measure
