// Reads fixture.yaml: channels, limits and nominal values of the fixture.
#include <fmt/format.h>

#include <algorithm>

#include "host/files/names.h"
#include "host/files/reader.h"
#include "host/files/sink.h"
#include "host/files/source_files.h"

namespace tenterhook::files {
namespace {

constexpr double kCounts = 1024.0;  // codes of the 10-bit converter over the whole span

class FixtureReader {
 public:
  FixtureReader(Fixture& fixture, Sink& sink) : fixture_(fixture), sink_(sink) {}

  void read(Map& map) {
    const yaml::Node* name = map.need("fixture", "mega2560");
    if (name != nullptr && want_label(*name, sink_, "fixture")) fixture_.name = name->text;
    map.take("about");
    if (const yaml::Node* accepts = map.need("accepts", "{firmware: 1}")) read_accepts(*accepts);
    if (const yaml::Node* drive =
            map.need("drive", "{channels: 0..15, settle: 30 ms, series: 10 ohm, max: 0.5 A}"))
      read_drive(*drive);
    if (const yaml::Node* fast = map.take("fast")) read_fast(*fast);
    if (const yaml::Node* sense =
            map.need("sense", "{channels: 0..31, span: [-15 V, 60 V], divider: 1 Mohm}"))
      read_sense(*sense);
    if (const yaml::Node* rail = map.need("rail", "{channels: 0..3, max: 8 A}")) read_rails(*rail);
    if (const auto most = map.quantity<Volts>("max-difference", Sign::positive)) {
      if (most->value > 60.0)
        sink_.add(*map.node().find("max-difference"), "more than 60 V DC",
                  "no fixture is made for that; it is refused");
      fixture_.max_difference = *most;
    }
  }

 private:
  void read_accepts(const yaml::Node& node) {
    Map map(node, sink_, "'accepts'");
    if (const yaml::Node* firmware = map.need("firmware", "1")) {
      long version = 1;
      if (read_integer(*firmware, 1, 255, sink_, version))
        fixture_.firmware = static_cast<int>(version);
    }
    if (const yaml::Node* features = map.take("features"))
      for (const yaml::Node* item : one_or_more(*features, sink_, "'features'"))
        if (want_label(*item, sink_, "feature")) fixture_.features.push_back(item->text);
  }

  // "0..15": channels count from 0 without holes.
  int channels(Map& map) {
    const yaml::Node* node = map.need("channels", "0..15");
    std::vector<int> indices;
    if (node == nullptr || !want_scalar(*node, sink_, "'channels'") ||
        !read_indices(*node, node->text, sink_, indices))
      return 0;
    std::sort(indices.begin(), indices.end());
    if (indices.front() != 0)
      sink_.add(*node, fmt::format("channels start at 0, found {}", describe(*node)),
                "write '0..15'");
    return static_cast<int>(indices.size());
  }

  void read_drive(const yaml::Node& node) {
    Map map(node, sink_, "'drive'");
    fixture_.drive.channels = channels(map);
    fixture_.drive.settle = map.need_quantity<Seconds>("settle", Sign::positive, "30 ms");
    fixture_.drive.series = map.need_quantity<Ohms>("series", Sign::not_negative, "10 ohm");
    fixture_.drive.max = map.need_quantity<Amps>("max", Sign::positive, "0.5 A");
    fixture_.drive.max_volts =
        map.quantity<Volts>("max-volts", Sign::positive).value_or(Volts{60.0});
  }

  void read_fast(const yaml::Node& node) {
    Map map(node, sink_, "'fast'");
    fixture_.fast.channels = channels(map);
    fixture_.fast.series = map.need_quantity<Ohms>("series", Sign::not_negative, "47 ohm");
    fixture_.fast.settle = map.need_quantity<Seconds>("settle", Sign::positive, "5 ms");
  }

  void read_sense(const yaml::Node& node) {
    Map map(node, sink_, "'sense'");
    auto& sense = fixture_.sense;
    sense.channels = channels(map);
    Window span{Volts{-15.0}, Volts{60.0}};
    if (const yaml::Node* found = map.need("span", "[-15 V, 60 V]");
        found != nullptr && found->is_list() && found->items.size() == 2) {
      read_quantity(found->items[0], Sign::any, sink_, span.min);
      read_quantity(found->items[1], Sign::any, sink_, span.max);
      if (!(span.min < span.max))
        sink_.add(*found, "a span must run from the lower to the higher volts",
                  "write '[-15 V, 60 V]'");
    } else if (found != nullptr) {
      sink_.add(*found, fmt::format("a span must be two quantities, found {}", describe(*found)),
                "write '[-15 V, 60 V]'");
    }
    sense.span_min = span.min;
    sense.span_max = span.max;
    sense.divider = map.need_quantity<Ohms>("divider", Sign::positive, "1 Mohm");
    sense.open_reads = map.quantity<Volts>("open-reads", Sign::any).value_or(Volts{});
    sense.bandwidth = map.quantity<Hertz>("bandwidth", Sign::positive).value_or(Hertz{});
    sense.offset = map.quantity<Volts>("offset", Sign::any).value_or(span.min);
    sense.per_count =
        map.quantity<Volts>("per-count", Sign::positive).value_or((span.max - span.min) / kCounts);
    sense.tolerance = map.quantity<Volts>("tolerance", Sign::positive).value_or(Volts{});
  }

  // A value for every channel, or a map from channel to value.
  template <class Q, class Set>
  void per_channel(Map& map, const char* key, Sign sign, bool needed, Set set) {
    const yaml::Node* node = needed ? map.need(key, "8 A") : map.take(key);
    if (node == nullptr) return;
    Q value{};
    if (node->is_map()) {
      for (const yaml::Node::Entry& entry : node->entries) {
        long index = 0;
        if (!read_integer(entry.key, 0, static_cast<long>(fixture_.rails.size()) - 1, sink_, index))
          continue;
        if (read_quantity(entry.value, sign, sink_, value))
          set(fixture_.rails[static_cast<std::size_t>(index)], value);
      }
    } else if (read_quantity(*node, sign, sink_, value)) {
      for (Fixture::RailChannel& rail : fixture_.rails) set(rail, value);
    }
  }

  void read_rails(const yaml::Node& node) {
    Map map(node, sink_, "'rail'");
    fixture_.rails.assign(static_cast<std::size_t>(channels(map)), Fixture::RailChannel{});
    for (Fixture::RailChannel& rail : fixture_.rails) rail.max_volts = Volts{60.0};
    per_channel<Amps>(map, "max", Sign::positive, true, [](auto& rail, Amps v) { rail.max = v; });
    per_channel<Volts>(map, "max-volts", Sign::positive, false,
                       [](auto& rail, Volts v) { rail.max_volts = v; });
    per_channel<Ohms>(map, "pre-charge", Sign::positive, false,
                      [](auto& rail, Ohms v) { rail.pre_charge = v; });
    per_channel<Amps>(map, "amps-per-count", Sign::positive, false,
                      [](auto& rail, Amps v) { rail.per_count = v; });
    per_channel<Volts>(map, "volts-offset", Sign::any, false,
                       [](auto& rail, Volts v) { rail.volts_offset = v; });
    per_channel<Volts>(map, "volts-per-count", Sign::positive, false,
                       [](auto& rail, Volts v) { rail.volts_per_count = v; });
    for (Fixture::RailChannel& rail : fixture_.rails) {
      if (rail.per_count.value == 0.0) rail.per_count = rail.max / kCounts;
      if (rail.volts_per_count.value == 0.0) rail.volts_per_count = fixture_.sense.per_count;
      if (rail.volts_offset.value == 0.0) rail.volts_offset = fixture_.sense.offset;
    }
  }

  Fixture& fixture_;
  Sink& sink_;
};

}  // namespace

Result<Fixture> parse_fixture(const std::string& path, const std::string& text) {
  auto root = yaml::parse(path, text);
  if (!root) return root.error();
  Fixture fixture;
  fixture.path = path;
  fixture.sources.push_back(source_file(path, text));
  Sink sink;
  {
    Map map(*root, sink, "a fixture");
    FixtureReader(fixture, sink).read(map);
  }
  if (sink.failed()) return sink.first();
  return fixture;
}

Result<Fixture> read_fixture(const std::string& path) {
  const auto text = yaml::read_text(path);
  if (!text) return text.error();
  return parse_fixture(path, *text);
}

}  // namespace tenterhook::files
