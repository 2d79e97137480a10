#include "host/predict/sampling.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_qrng.h>

#include <algorithm>
#include <cmath>
#include <memory>
#include <numeric>
#include <random>

namespace tenterhook::predict {

std::vector<std::vector<double>> latin_hypercube(int count, int dimensions, std::uint64_t seed) {
  std::mt19937_64 random(seed);
  std::uniform_real_distribution<double> inside(1e-9, 1.0 - 1e-9);
  std::vector<std::vector<double>> points(
      static_cast<std::size_t>(count), std::vector<double>(static_cast<std::size_t>(dimensions)));
  std::vector<int> order(static_cast<std::size_t>(count));
  for (int d = 0; d < dimensions; ++d) {
    std::iota(order.begin(), order.end(), 0);
    std::shuffle(order.begin(), order.end(), random);
    for (int i = 0; i < count; ++i) points[i][d] = (order[i] + inside(random)) / count;
  }
  return points;
}

Result<std::vector<std::vector<double>>> sobol(int count, int dimensions, std::uint64_t seed) {
  constexpr int kDimensionsMax = 40;
  if (dimensions > kDimensionsMax) {
    return input_error(
        "method", "sobol serves at most 40 varied quantities, found " + std::to_string(dimensions),
        "use latin-hypercube");
  }
  std::mt19937_64 random(seed);
  std::uniform_real_distribution<double> inside(0.0, 1.0);
  std::vector<double> shift(static_cast<std::size_t>(dimensions));
  for (double& s : shift) s = inside(random);
  const std::unique_ptr<gsl_qrng, void (*)(gsl_qrng*)> q(
      gsl_qrng_alloc(gsl_qrng_sobol, static_cast<unsigned>(std::max(dimensions, 1))),
      gsl_qrng_free);
  if (!q) return bug_error("no Sobol sequence of " + std::to_string(dimensions) + " dimensions");
  std::vector<std::vector<double>> points;
  std::vector<double> raw(static_cast<std::size_t>(std::max(dimensions, 1)));
  for (int i = 0; i < count; ++i) {
    gsl_qrng_get(q.get(), raw.data());
    std::vector<double> point(static_cast<std::size_t>(dimensions));
    for (int d = 0; d < dimensions; ++d) {
      const double u = raw[d] + shift[d];
      point[d] = std::clamp(u - std::floor(u), 1e-9, 1.0 - 1e-9);
    }
    points.push_back(std::move(point));
  }
  return points;
}

double value_at(const Varied& v, double u) {
  if (!v.normal) return v.nominal + v.reach * (2.0 * u - 1.0);
  // The part of the normal distribution within +-clip, stretched to a whole.
  const double edge = gsl_cdf_ugaussian_P(-v.clip);
  return v.nominal + v.reach * gsl_cdf_ugaussian_Pinv(edge + u * (1.0 - 2.0 * edge));
}

std::vector<double> nominal_values(const std::vector<Varied>& varied) {
  std::vector<double> out;
  for (const Varied& v : varied) out.push_back(v.nominal);
  return out;
}

void apply(const std::vector<Varied>& varied, const std::vector<double>& values, Changes& changes) {
  for (std::size_t i = 0; i < varied.size(); ++i) {
    switch (varied[i].what) {
      case Varied::What::parameter:
        changes.parameters[varied[i].name] = values[i];
        break;
      case Varied::What::instance:
        changes.instances[varied[i].name] = values[i];
        break;
      case Varied::What::factor:
        changes.factors[varied[i].name] = values[i];
        break;
      case Varied::What::celsius:
        changes.celsius = values[i];
        break;
      case Varied::What::input:
        break;  // the bench sets inputs, by state
    }
  }
}

}  // namespace tenterhook::predict
