#include "host/report/label.h"

#include <fmt/format.h>
#include <qrencode.h>

#include <algorithm>
#include <cctype>
#include <memory>
#include <vector>

#include "host/report/board_page.h"
#include "host/report/findings.h"
#include "host/report/markup.h"

namespace tenterhook::report {
namespace {

// Millimetres, from the upper left corner.
constexpr double kWide = 62.0, kHigh = 29.0;
constexpr double kCodeX = 2.5, kCodeY = 2.5, kCodeSide = 24.0;  // with the four modules of quiet around it
constexpr double kTextX = 28.5, kTextWide = kWide - kTextX - 2.0;
constexpr int kQuiet = 4;  // modules: ISO/IEC 18004 asks for four
constexpr double kPointsPerMm = 72.0 / 25.4;
constexpr double kSmallest = 1.6;  // mm: below this nobody reads it, and the text is cut

struct Box {
  double x = 0, y = 0, w = 0, h = 0;
};
struct Text {
  double x = 0, y = 0, size = 0;  // y: the baseline; size in mm
  bool bold = false;
  std::string text;
};
struct Drawing {
  std::vector<Box> boxes;
  std::vector<Text> texts;
};

// Widths of a grotesque type in shares of its size, on the wide side.
double width_of(const std::string& text) {
  double width = 0.0;
  for (const char c : text) {
    const auto u = static_cast<unsigned char>(c);
    if ((u & 0xc0) == 0x80) continue;  // a further byte of one character
    width += c == 'm' || c == 'w' || c == 'M' || c == 'W' ? 0.9
             : std::isupper(u) != 0                      ? 0.74
             : c == 'i' || c == 'l' || c == 'j' || c == '.' || c == ',' || c == ' ' ? 0.32
                                                          : 0.6;
  }
  return width;
}

// Shrunk to the room there is, then cut.
void place(Drawing& drawing, double y, double size, bool bold, std::string text) {
  const double width = std::max(0.01, width_of(text));
  const double fits = std::max(kSmallest, std::min(size, kTextWide / width));
  while (width_of(text) * fits > kTextWide && !text.empty()) {
    while (text.size() > 1 && (static_cast<unsigned char>(text.back()) & 0xc0) == 0x80) text.pop_back();
    text.pop_back();
  }
  drawing.texts.push_back({kTextX, y, fits, bold, text});
}

struct FreeCode {
  void operator()(QRcode* code) const { QRcode_free(code); }
};

Status draw_code(Drawing& drawing, const std::string& text) {
  const std::unique_ptr<QRcode, FreeCode> code(QRcode_encodeString8bit(text.c_str(), 0, QR_ECLEVEL_M));
  if (!code) return bug_error("the label's code could not be made of '" + text + "'");
  const double module = kCodeSide / (code->width + 2 * kQuiet);
  for (int row = 0; row < code->width; ++row) {
    for (int column = 0; column < code->width;) {
      // One box for a run of dark modules: no hairlines between them.
      int end = column;
      while (end < code->width && (code->data[row * code->width + end] & 1) != 0) ++end;
      if (end > column) {
        drawing.boxes.push_back({kCodeX + (column + kQuiet) * module, kCodeY + (row + kQuiet) * module, (end - column) * module, module});
      }
      column = std::max(end, column + 1);
    }
  }
  return {};
}

Result<Drawing> drawing_of(const record::RunRecord& run) {
  if (!run.complete || run.uid.empty()) {
    return input_error(fmt::format("run {}", run.number), "it has no end, so there is no verdict to print on a label", "repeat the run");
  }
  Drawing drawing;
  TH_TRY(draw_code(drawing, label_code(run)));
  place(drawing, 7.0, 4.4, true, run.board);
  place(drawing, 11.2, 3.4, false, run.board_serial.empty() ? "no serial" : "serial " + run.board_serial);
  place(drawing, 17.4, 5.4, true, verdict_headline(run));
  const std::string margin = least_margin_of(run);
  place(drawing, 21.4, 2.8, false, margin.empty() ? "margin not known" : "margin " + margin);
  place(drawing, 25.6, 2.8, false, fmt::format("{}  run {}", run.started.substr(0, 10), run.number));
  return drawing;
}

// UTF-8 to Latin-1 within a PDF's string: brackets and backslashes escaped.
std::string pdf_string(const std::string& utf8) {
  std::string out;
  for (std::size_t i = 0; i < utf8.size(); ++i) {
    const auto c = static_cast<unsigned char>(utf8[i]);
    if ((c & 0xc0) == 0x80) continue;
    unsigned char latin = c;
    if (c >= 0x80) {
      const bool two = (c == 0xc2 || c == 0xc3) && i + 1 < utf8.size();
      latin = two ? static_cast<unsigned char>(((c & 3) << 6) | (static_cast<unsigned char>(utf8[i + 1]) & 0x3f)) : '?';
      if (latin < 0xa0 && latin != '?') latin = '?';
    }
    if (latin < 0x20) latin = ' ';
    if (latin == '(' || latin == ')' || latin == '\\') out += '\\';
    if (latin < 0x80)
      out += static_cast<char>(latin);
    else
      out += fmt::format("\\{:03o}", static_cast<unsigned>(latin));
  }
  return out;
}

}  // namespace

std::string label_code(const record::RunRecord& run) {
  return fmt::format("{}.{}", run.number, run.uid);
}

Result<std::string> label_svg(const record::RunRecord& run) {
  const auto drawing = drawing_of(run);
  if (!drawing.ok()) return drawing.error();
  std::string svg = fmt::format("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{0}mm\" height=\"{1}mm\" "
                                "viewBox=\"0 0 {0} {1}\" role=\"img\" aria-labelledby=\"t\"><title id=\"t\">{2}</title>\n<rect width=\"{0}\" height=\"{1}\" fill=\"#fff\"/>\n"
                                "<path fill=\"#000\" d=\"", kWide, kHigh, escaped(fmt::format("{} {}, run {}: {}", run.board, run.board_serial, run.number, verdict_headline(run))));
  for (const Box& b : drawing->boxes) svg += fmt::format("M{:.3f} {:.3f}h{:.3f}v{:.3f}h-{:.3f}z", b.x, b.y, b.w, b.h, b.w);
  svg += "\"/>\n";
  for (const Text& t : drawing->texts) {
    svg += fmt::format("<text x=\"{:.2f}\" y=\"{:.2f}\" font-family=\"Helvetica, Arial, sans-serif\" font-size=\"{:.2f}\"{}>{}</text>\n", t.x, t.y, t.size,
                       t.bold ? " font-weight=\"bold\"" : "", escaped(t.text));
  }
  return svg + "</svg>\n";
}

Result<std::string> label_pdf(const record::RunRecord& run) {
  const auto drawing = drawing_of(run);
  if (!drawing.ok()) return drawing.error();
  std::string content;
  for (const Box& b : drawing->boxes) {
    content += fmt::format("{:.3f} {:.3f} {:.3f} {:.3f} re\n", b.x * kPointsPerMm, (kHigh - b.y - b.h) * kPointsPerMm, b.w * kPointsPerMm, b.h * kPointsPerMm);
  }
  content += "f\n";
  for (const Text& t : drawing->texts) {
    content += fmt::format("BT /F{} {:.2f} Tf {:.2f} {:.2f} Td ({}) Tj ET\n", t.bold ? 2 : 1, t.size * kPointsPerMm, t.x * kPointsPerMm, (kHigh - t.y) * kPointsPerMm,
                           pdf_string(t.text));
  }
  const auto font = [](const char* name) { return fmt::format("<< /Type /Font /Subtype /Type1 /BaseFont /{} /Encoding /WinAnsiEncoding >>", name); };
  const std::vector<std::string> objects = {
      "<< /Type /Catalog /Pages 2 0 R >>",
      "<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
      fmt::format("<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {:.2f} {:.2f}] /Contents 4 0 R /Resources << /Font << /F1 5 0 R /F2 6 0 R >> >> >>", kWide * kPointsPerMm,
                  kHigh * kPointsPerMm),
      fmt::format("<< /Length {} >>\nstream\n{}endstream", content.size(), content),
      font("Helvetica"),
      font("Helvetica-Bold")};
  std::string pdf = "%PDF-1.4\n";
  std::vector<std::size_t> at;
  for (std::size_t i = 0; i < objects.size(); ++i) {
    at.push_back(pdf.size());
    pdf += fmt::format("{} 0 obj\n{}\nendobj\n", i + 1, objects[i]);
  }
  const std::size_t table = pdf.size();
  pdf += fmt::format("xref\n0 {}\n0000000000 65535 f \n", objects.size() + 1);
  for (const std::size_t offset : at) pdf += fmt::format("{:010} 00000 n \n", offset);
  return pdf + fmt::format("trailer\n<< /Size {} /Root 1 0 R >>\nstartxref\n{}\n%%EOF\n", objects.size() + 1, table);
}

}  // namespace tenterhook::report
