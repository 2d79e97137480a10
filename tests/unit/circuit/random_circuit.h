// Circuits for tests and benchmarks, made up in the .bench notation.
#pragma once

#include <random>
#include <string>
#include <vector>

namespace tenterhook::circuit::testing {

// "n" and 12 make "n12".
inline std::string numbered(const char* stem, std::size_t number) {
  std::string name(stem);
  name += std::to_string(number);
  return name;
}

// An array multiplier of two `bits`-wide numbers from AND gates and nine-NAND full adders: deep,
// and rich in reconvergence. 19 bits make about 3,400 gates. Outputs p0..p(2*bits-1).
inline std::string multiplier_bench(int bits) {
  std::string text;
  std::size_t next = 0;
  const auto gate = [&](const std::string& type, const std::string& a, const std::string& b) {
    const std::string out = numbered("n", next++);
    text.append(out).append(" = ").append(type).append("(").append(a).append(", ").append(b).append(
        ")\n");
    return out;
  };
  struct Sum {
    std::string sum, carry;
  };
  const auto full_adder = [&](const std::string& a, const std::string& b, const std::string& c) {
    const std::string ab = gate("NAND", a, b), x1 = gate("NAND", a, ab), x2 = gate("NAND", b, ab),
                      x = gate("NAND", x1, x2);
    const std::string xc = gate("NAND", x, c), y1 = gate("NAND", x, xc), y2 = gate("NAND", c, xc);
    return Sum{gate("NAND", y1, y2), gate("NAND", ab, xc)};
  };
  const auto half_adder = [&](const std::string& a, const std::string& b) {
    return Sum{gate("XOR", a, b), gate("AND", a, b)};
  };
  std::string head;
  const std::size_t width = static_cast<std::size_t>(bits);
  for (std::size_t i = 0; i < width; ++i)
    for (const char* stem : {"a", "b"})
      head.append("INPUT(").append(numbered(stem, i)).append(")\n");
  std::vector<std::string> row;  // sums so far, weight of the current row upwards
  std::vector<std::string> product;
  for (std::size_t j = 0; j < width; ++j) {
    std::vector<std::string> terms;
    for (std::size_t i = 0; i < width; ++i)
      terms.push_back(gate("AND", numbered("a", i), numbered("b", j)));
    if (j == 0) {
      row = terms;
    } else {
      std::vector<std::string> sums;
      std::string carry;
      for (std::size_t i = 0; i < width; ++i) {
        const bool have = i < row.size();
        Sum s{terms[i], carry};
        if (have && carry.empty())
          s = half_adder(terms[i], row[i]);
        else if (have)
          s = full_adder(terms[i], row[i], carry);
        else if (!carry.empty())
          s = half_adder(terms[i], carry);
        sums.push_back(s.sum);
        carry = s.carry;
      }
      if (!carry.empty()) sums.push_back(carry);
      row = sums;
    }
    product.push_back(row.front());
    row.erase(row.begin());
  }
  product.insert(product.end(), row.begin(), row.end());
  for (std::size_t i = 0; i < product.size(); ++i) {
    head.append("OUTPUT(").append(numbered("p", i)).append(")\n");
    text.append(numbered("p", i)).append(" = BUF(").append(product[i]).append(")\n");
  }
  return head + text;
}

// Random gates over mostly recent nets; whatever nobody reads becomes an output.
inline std::string random_bench(unsigned seed, int inputs, int gates) {
  std::mt19937 random(seed);
  std::vector<std::string> nets;
  std::vector<int> readers;
  std::string head, text;
  for (int i = 0; i < inputs; ++i) {
    nets.push_back(numbered("i", static_cast<std::size_t>(i)));
    head.append("INPUT(").append(nets.back()).append(")\n");
    readers.push_back(0);
  }
  const char* types[] = {"NAND", "NAND", "NOR", "AND", "OR", "NOT", "XOR", "BUF", "NAND"};
  for (int g = 0; g < gates; ++g) {
    const std::string type = types[random() % 9];
    const int width = type == "NOT" || type == "BUF" ? 1
                                                     : 2 + static_cast<int>(random() % 7 == 0) +
                                                           static_cast<int>(random() % 19 == 0);
    std::string ins;
    for (int k = 0; k < width; ++k) {
      const std::size_t window =
          std::min<std::size_t>(nets.size(), static_cast<std::size_t>(2 * inputs + 20));
      const std::size_t pick = nets.size() - 1 - random() % window;
      ins.append(k == 0 ? "" : ", ").append(nets[pick]);
      ++readers[pick];
    }
    nets.push_back(numbered("g", static_cast<std::size_t>(g)));
    readers.push_back(0);
    text.append(nets.back()).append(" = ").append(type).append("(").append(ins).append(")\n");
  }
  for (std::size_t i = static_cast<std::size_t>(inputs); i < nets.size(); ++i)
    if (readers[i] == 0) head.append("OUTPUT(").append(nets[i]).append(")\n");
  return head + text;
}

}  // namespace tenterhook::circuit::testing
