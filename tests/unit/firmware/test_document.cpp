// The byte examples of docs/wire-protocol.md, decoded and compared with what the page says they mean.
#include <gtest/gtest.h>

#include <fstream>
#include <sstream>

#include "firmware/wire/frame.h"
#include "firmware/wire/message.h"
#include "firmware/wire/program.h"

namespace tenterhook::test {
namespace {

using Bytes = std::vector<std::uint8_t>;

std::string program_text(const Bytes& bytes) {
  wire::Reader r(bytes.data(), static_cast<std::uint16_t>(bytes.size()));
  std::ostringstream out;
  while (r.left() > 0) {
    if (out.tellp() > 0) out << "; ";
    switch (static_cast<wire::Op>(r.u8())) {
      case wire::Op::end: out << "end"; break;
      case wire::Op::label: {
        wire::LabelOp o;
        wire::get(r, o);
        out << "label " << o.step << ' ' << o.bytes << ' ' << o.results << ' ' << int{o.flags};
        break;
      }
      case wire::Op::drive: {
        wire::DriveOp o;
        wire::get(r, o);
        out << "drive " << o.connect << ' ' << o.high;
        break;
      }
      case wire::Op::relay_wait: {
        wire::RelayWaitOp o;
        wire::get(r, o);
        out << "relay_wait " << o.us;
        break;
      }
      case wire::Op::sample: {
        wire::SampleOp o;
        wire::get(r, o);
        out << "sample " << o.senses << ' ' << o.aux << ' ' << o.n;
        break;
      }
      case wire::Op::pulse: {
        wire::PulseOp o;
        wire::get(r, o);
        out << "pulse " << int{o.channel} << ' ' << int{o.active} << ' ' << o.count << ' ' << o.width_ticks << ' '
            << o.gap_ticks;
        break;
      }
      case wire::Op::crossing: {
        wire::CrossingOp o;
        wire::get(r, o);
        out << "crossing " << int{o.sense} << ' ' << int{o.edges} << ' ' << int{o.most} << ' ' << o.threshold << ' '
            << o.window_ticks;
        break;
      }
      case wire::Op::delayed_sample: {
        wire::DelayedSampleOp o;
        wire::get(r, o);
        out << "delayed_sample " << int{o.sense} << ' ' << o.delay_ticks << ' ' << o.shots;
        break;
      }
      case wire::Op::edge_count: {
        wire::EdgeCountOp o;
        wire::get(r, o);
        out << "edge_count " << int{o.sense} << ' ' << o.threshold;
        break;
      }
      default: return "an operation that the page's test does not know";
    }
  }
  return out.str() + (r.ok() ? "" : " (cut short)");
}

template <class M>
M decoded(const Bytes& p) {
  M m;
  EXPECT_TRUE(wire::decode(p.data(), static_cast<std::uint16_t>(p.size()), m));
  return m;
}

std::string status_text(const Bytes& p) {
  const auto m = decoded<wire::Status>(p);
  std::ostringstream out;
  out << "state " << int(m.state) << " session " << m.session << " faults " << m.fault_count
      << " step " << m.step << " waiting-results " << m.results_waiting << " rails "
      << int{m.rails_on} << " at-label " << m.waiting << " time " << m.time_us << "; fault "
      << int(m.first.fault) << " channel " << int{m.first.channel} << " value " << m.first.value
      << " time " << m.first.time_us << " step " << m.first.step << " blame " << int(m.first.blame)
      << " others " << m.first.others;
  return out.str();
}

std::string samples_text(const Bytes& p) {
  const auto h = decoded<wire::SamplesHead>(p);
  std::ostringstream out;
  out << "step " << h.step << " index " << int{h.index} << " part " << int{h.part} << " n " << h.n
      << " time " << h.time_us;
  for (int i = 0; i < h.channels; ++i) {
    const auto at = p.begin() + wire::kSamplesHeadBytes + i * wire::kChannelCountsBytes;
    const auto c = decoded<wire::ChannelCounts>(Bytes(at, at + wire::kChannelCountsBytes));
    out << "; source " << int{c.source} << " sum " << c.sum << " min " << c.min << " max " << c.max
        << " squares " << c.sum_of_squares;
  }
  return out.str();
}

std::pair<std::string, std::string> name_and_payload(wire::Type type, const Bytes& p) {
  std::ostringstream out;
  switch (type) {
    case wire::Type::hello: {
      const auto m = decoded<wire::Hello>(p);
      out << "major " << int{m.protocol_major} << " minor " << int{m.protocol_minor} << " nonce "
          << m.nonce;
      return {"hello", out.str()};
    }
    case wire::Type::begin:
      return {"begin", "session " + std::to_string(decoded<wire::Begin>(p).session)};
    case wire::Type::heartbeat: {
      const auto m = decoded<wire::Heartbeat>(p);
      out << "flags " << int{m.flags} << " stamp " << m.stamp;
      return {"heartbeat", out.str()};
    }
    case wire::Type::ack: {
      const auto m = decoded<wire::Ack>(p);
      out << "state " << int(m.state) << " stamp " << m.stamp;
      return {"ack", out.str()};
    }
    case wire::Type::chunk: return {"chunk", program_text(p)};
    case wire::Type::run:
      return {"run", "flags " + std::to_string(int{decoded<wire::Run>(p).flags})};
    case wire::Type::reset_faults:
      return {"reset_faults", "faults " + std::to_string(decoded<wire::ResetFaults>(p).fault_count)};
    case wire::Type::query:
      return {"query", "what " + std::to_string(int(decoded<wire::Query>(p).what))};
    case wire::Type::status: return {"status", status_text(p)};
    case wire::Type::samples: return {"samples", samples_text(p)};
    case wire::Type::curve: {
      const auto m = decoded<wire::CurveHead>(p);
      out << "rail " << int{m.rail} << " flags " << int{m.flags} << " time " << m.time_us << " i2t " << m.i2t;
      for (int i = 0; i < m.points; ++i) {
        const auto at = p.begin() + wire::kCurveHeadBytes + i * wire::kCurvePointBytes;
        const auto point = decoded<wire::CurvePoint>(Bytes(at, at + wire::kCurvePointBytes));
        out << "; ticks " << point.ticks << " current " << point.current << " peak " << point.peak << " volts "
            << point.volts;
      }
      return {"curve", out.str()};
    }
    case wire::Type::edges: {
      const auto m = decoded<wire::EdgesHead>(p);
      out << "step " << m.step << " index " << int{m.index} << " sense " << int{m.sense} << " flags " << int{m.flags}
          << " rises " << m.rises << " falls " << m.falls << " time " << m.time_us;
      for (int i = 0; i < m.count; ++i) {
        const auto at = p.begin() + wire::kEdgesHeadBytes + i * wire::kCrossingBytes;
        const auto c = decoded<wire::Crossing>(Bytes(at, at + wire::kCrossingBytes));
        out << "; " << (c.rising ? "rises " : "falls ") << c.ticks;
      }
      return {"edges", out.str()};
    }
    case wire::Type::event: {
      const auto m = decoded<wire::Event>(p);
      out << "kind " << int(m.kind) << " step " << m.step << " value " << m.value << " time "
          << m.time_us;
      return {"event", out.str()};
    }
    default: return {"?", ""};
  }
}

std::string meaning(const std::string& hex) {
  wire::FrameReader reader;
  std::istringstream in(hex);
  for (unsigned byte; in >> std::hex >> byte;) {
    const auto got = reader.put(static_cast<std::uint8_t>(byte));
    if (got == wire::FrameReader::Got::damaged) return "a damaged frame";
    if (got != wire::FrameReader::Got::frame) continue;
    const wire::Header h = reader.header();
    const auto [name, payload] = name_and_payload(
        h.type, Bytes(reader.payload(), reader.payload() + reader.payload_size()));
    std::ostringstream out;
    out << name << " epoch " << h.epoch << " sequence " << h.sequence << " ack " << h.ack
        << " credit " << int{h.credit} << " | " << payload;
    return out.str();
  }
  return "no whole frame";
}

TEST(Document, EveryByteExampleMeansWhatThePageSays) {
  std::ifstream page(std::string(TH_SOURCE_DIR) + "/docs/wire-protocol.md");
  ASSERT_TRUE(page) << "docs/wire-protocol.md";
  std::string line, bytes;
  int examples = 0;
  while (std::getline(page, line)) {
    if (line.rfind("    bytes ", 0) == 0) bytes = line.substr(10);
    if (line.rfind("    means ", 0) == 0) {
      EXPECT_EQ(meaning(bytes), line.substr(10));
      ++examples;
    }
  }
  EXPECT_EQ(examples, 14);
}

}  // namespace
}  // namespace tenterhook::test
