// Special functions and quantiles, plainly written, for working out again what the acceptance report shows.
const stat = (() => {
  "use strict";
  const sum = (values) => values.reduce((a, b) => a + b, 0);
  const mean = (values) => sum(values) / values.length;
  // Differences from the first value are exact where all are nearly alike, which the mean is not.
  const squares = (values) => {
    const away = values.map((v) => v - values[0]);
    const middle = mean(away);
    return sum(away.map((v) => (v - middle) ** 2));
  };
  const sd = (values) => Math.sqrt(squares(values) / (values.length - 1));
  // Linear between order statistics (Hyndman & Fan 1996, type 7).
  const quantile = (values, q) => {
    const x = [...values].sort((a, b) => a - b);
    const at = (x.length - 1) * q;
    const low = Math.floor(at);
    return x[low] + (at - low) * ((x[low + 1] ?? x[low]) - x[low]);
  };
  // ln Γ by Stirling's series from 12 on, and by Γ(z + 1) = z·Γ(z) below (Abramowitz & Stegun 6.1.41 and 6.1.15).
  const lnGamma = (z) => {
    let shift = 1;
    for (; z < 12; z++) shift *= z;
    const w = 1 / (z * z);
    const series = (1 / 12 - w * (1 / 360 - w * (1 / 1260 - w * (1 / 1680 - w * (1 / 1188 - (w * 691) / 360360))))) / z;
    return (z - 0.5) * Math.log(z) - z + 0.5 * Math.log(2 * Math.PI) + series - Math.log(shift);
  };
  // Lentz's way through a continued fraction of pairs (a, b) after the first b.
  const fraction = (first, next) => {
    let h = first || 1e-300;
    let c = h;
    let d = 0;
    for (let k = 1; k < 10000; k++) {
      const [a, b] = next(k);
      d = 1 / (b + a * d || 1e-300);
      c = b + a / c || 1e-300;
      h *= c * d;
      if (Math.abs(c * d - 1) < 1e-16) break;
    }
    return h;
  };
  // ln Γ(a + b) − ln Γ(a), which are near each other where a is large.
  const lnGammaStep = (a, b) =>
    a < 1e4 ? lnGamma(a + b) - lnGamma(a)
      : b * Math.log(a) + (a + b - 0.5) * Math.log1p(b / a) - b + (1 / (a + b) - 1 / a) / 12;
  // The incomplete beta function (Abramowitz & Stegun 26.5.8); y is 1 − x, where that is known better.
  const beta = (x, a, b, y = 1 - x) => {
    if (x <= 0) return 0;
    if (y <= 0) return 1;
    if (x > (a + 1) / (a + b + 2)) return 1 - beta(y, b, a, x);
    const logs = [x < 0.5 ? Math.log(x) : Math.log1p(-y), y < 0.5 ? Math.log(y) : Math.log1p(-x)];
    const whole = a > b ? lnGammaStep(a, b) - lnGamma(b) : lnGammaStep(b, a) - lnGamma(a);
    const next = (k) => {
      const m = k >> 1;
      const down = (a + k - 1) * (a + k);
      return [k % 2 ? (-(a + m) * (a + b + m) * x) / down : (m * (b - m) * x) / down, 1];
    };
    return Math.exp(whole + a * logs[0] + b * logs[1]) / (a * fraction(1, next));
  };
  // The incomplete gamma function, from below (`P`) and from above (`Q`) (Abramowitz & Stegun 6.5.29 and 6.5.31).
  const P = (a, x) => (x <= 0 ? 0 : x > a + 1 ? 1 - above(a, x) : below(a, x));
  const Q = (a, x) => (x <= 0 ? 1 : x > a + 1 ? above(a, x) : 1 - below(a, x));
  const below = (a, x) => {
    let term = 1 / a;
    let total = term;
    for (let k = 1; k < 100000 && term > 1e-17 * total; k++) total += term *= x / (a + k);
    return total * Math.exp(a * Math.log(x) - x - lnGamma(a));
  };
  const above = (a, x) =>
    Math.exp(a * Math.log(x) - x - lnGamma(a)) / fraction(x + 1 - a, (k) => [k * (a - k), x + 2 * k + 1 - a]);
  // By halving: slow, and sure.
  const inverse = (rising, p, low, high) => {
    for (let k = 0; k < 2000; k++) {
      const middle = (low + high) / 2;
      if (middle === low || middle === high) break;
      if (rising(middle) < p) low = middle;
      else high = middle;
    }
    return (low + high) / 2;
  };
  const beyond = (rising, p) => {
    let high = 1;
    while (rising(high) < p) high *= 2;
    return high;
  };
  const normal = (z) => (z < 0 ? 0.5 * Q(0.5, (z * z) / 2) : 1 - 0.5 * Q(0.5, (z * z) / 2));
  const normalQuantile = (p) => inverse(normal, p, -40, 40);
  const tBelow = (t, dof) => {
    if (dof === null) return normal(t);
    // Near the middle from there, and the tails from theirs: neither loses its digits.
    const [middle, rest] = [(t * t) / (dof + t * t), dof / (dof + t * t)];
    if (middle < 0.5) return 0.5 + Math.sign(t) * 0.5 * beta(middle, 0.5, dof / 2, rest);
    const tail = 0.5 * beta(rest, dof / 2, 0.5, middle);
    return t < 0 ? tail : 1 - tail;
  };
  const tQuantile = (p, dof) => {
    if (dof === null) return normalQuantile(p);
    if (dof < 1e4) return inverse((t) => tBelow(t, dof), p, -1e6, 1e6);
    // The first terms of its way to the normal law (Abramowitz & Stegun 26.7.5); the next is below 1e-15.
    const z = normalQuantile(p);
    const g = [(z ** 3 + z) / 4, (5 * z ** 5 + 16 * z ** 3 + 3 * z) / 96, (3 * z ** 7 + 19 * z ** 5 + 17 * z ** 3 - 15 * z) / 384];
    return z + g[0] / dof + g[1] / dof ** 2 + g[2] / dof ** 3;
  };
  const chi2 = (x, dof) => P(dof / 2, x / 2);
  const chi2Quantile = (p, dof) => {
    const rising = (x) => chi2(x, dof);
    return inverse(rising, p, 0, beyond(rising, p));
  };
  const betaQuantile = (p, a, b) => inverse((x) => beta(x, a, b), p, 0, 1);
  const fQuantile = (p, a, b) => {
    const x = betaQuantile(p, a / 2, b / 2);
    if (x < 0.5) return (b * x) / (a * (1 - x));
    const y = betaQuantile(1 - p, b / 2, a / 2);
    return (b * (1 - y)) / (a * y);
  };
  // The non-central χ² from below: central ones, weighted by the law of Poisson about its middle.
  const nonCentral = (x, dof, shift) => {
    const half = shift / 2;
    if (half === 0) return chi2(x, dof);
    const middle = Math.floor(half);
    let total = 0;
    for (const step of [1, -1])
      for (let j = step > 0 ? middle : middle - 1; j >= 0; j += step) {
        const weight = Math.exp(j * Math.log(half) - half - lnGamma(j + 1));
        total += weight * P(dof / 2 + j, x / 2);
        if (weight < 1e-17) break;
      }
    return total;
  };
  // Where a falling function crosses 0, by false position that halves an end that stays (Illinois).
  const crossing = (falling, low, high) => {
    let [a, fa, b, fb] = [low, falling(low), high, falling(high)];
    for (let k = 0, side = 0; k < 200 && Math.abs(b - a) > 1e-13 * Math.abs(b); k++) {
      const c = (fa * b - fb * a) / (fa - fb);
      const fc = falling(c);
      if (fc === 0 || c === a || c === b) return c;
      if (fc > 0) {
        [a, fa] = [c, fc];
        if (side === 1) fb /= 2;
        side = 1;
      } else {
        [b, fb] = [c, fc];
        if (side === -1) fa /= 2;
        side = -1;
      }
    }
    return (a + b) / 2;
  };
  const fAbove = (f, a, b) => beta(b / (b + a * f), b / 2, a / 2);
  // Nodes and weights of Gauss and Legendre on −1 to 1, by Newton's steps on the polynomial.
  const legendre = (n) => {
    const nodes = [];
    for (let k = 0; k < n; k++) {
      let x = Math.cos((Math.PI * (n - k - 0.25)) / (n + 0.5));
      let slope = 0;
      for (let step = 0; step < 100; step++) {
        let [a, b] = [1, x];
        for (let m = 2; m <= n; m++) [a, b] = [b, ((2 * m - 1) * x * b - (m - 1) * a) / m];
        slope = (n * (x * b - a)) / (x * x - 1);
        const by = b / slope;
        x -= by;
        if (Math.abs(by) < 1e-16) break;
      }
      nodes.push([x, 2 / ((1 - x * x) * slope * slope)]);
    }
    return nodes;
  };
  // Values v = χ/√dof with their weights: how an estimated standard deviation stands to the true one.
  const chi = (dof, nodes, tail) => {
    const above = inverse((x) => -Q(dof / 2, x / 2), -tail, 0, beyond((x) => -Q(dof / 2, x / 2), -tail));
    const ends = [chi2Quantile(1 - (1 - tail), dof), above].map((x) => Math.sqrt(x / dof));
    const found = legendre(nodes).map(([x, w]) => [(ends[0] + ends[1]) / 2 + ((ends[1] - ends[0]) / 2) * x, w]);
    const logs = found.map(([v]) => (dof - 1) * Math.log(v) - (dof * v * v) / 2);
    const most = Math.max(...logs);
    const weights = found.map(([, w], k) => w * Math.exp(logs[k] - most));
    const whole = sum(weights);
    return found.map(([v], k) => [v, weights[k] / whole]);
  };
  // The solution of a set of linear equations, by Gauss and Jordan with the largest pivot.
  const solve = (matrix, right) => {
    const n = matrix.length;
    const rows = matrix.map((row, k) => [...row, ...right[k]]);
    for (let k = 0; k < n; k++) {
      const best = rows.slice(k).reduce((b, row, i) => (Math.abs(row[k]) > Math.abs(rows[b][k]) ? k + i : b), k);
      [rows[k], rows[best]] = [rows[best], rows[k]];
      rows[k] = rows[k].map((v) => v / rows[k][k]);
      for (let i = 0; i < n; i++) if (i !== k) rows[i] = rows[i].map((v, j) => v - rows[i][k] * rows[k][j]);
    }
    return rows.map((row) => row.slice(n));
  };
  return {
    sum, mean, squares, sd, quantile, lnGamma, beta, P, Q, inverse, normal, normalQuantile, tBelow, tQuantile, chi2,
    chi2Quantile, betaQuantile, fQuantile, nonCentral, crossing, fAbove, legendre, chi, solve,
  };
})();
