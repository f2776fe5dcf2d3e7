// What the acceptance report shows, from the raw numbers that stand in it. Each formula takes its inputs and the
// columns of raw numbers, and returns its results by name; what it cites is cited in tiepoint's own code too.
const FORMULAS = (() => {
  "use strict";
  const { sum, mean, sd, quantile } = stat;
  const numbers = (column) => column.map(Number);
  const interval = (value, low, high) => ({ value, low, high });
  const groups = (keys, values) => {
    const found = new Map();
    keys.forEach((key, k) => found.set(key, [...(found.get(key) ?? []), values[k]]));
    return found;
  };
  const TWO_SIDED = 0.975;

  // --- rates: Clopper & Pearson 1934, both sides together and each alone ---
  const atMost = (events, n, tail) => (events >= n ? 1 : stat.betaQuantile(1 - tail, events + 1, n - events));
  const atLeast = (events, n, tail) => (events <= 0 ? 0 : stat.betaQuantile(tail, events, n - events + 1));
  const rate = (events, n, confidence = 0.95) => {
    const tail = 1 - confidence;
    return {
      events, n, value: events / n, low: atLeast(events, n, tail / 2), high: atMost(events, n, tail / 2),
      at_least: atLeast(events, n, tail), at_most: atMost(events, n, tail),
    };
  };

  // --- readings ---
  // ISO 14253-1: what the probability of lying within the limits (JCGM 106, 7.4) allows to be said.
  const verdict = (value, u, dof, { lower, upper, rule, p, guard }) => {
    const within = (by) => (lower === null || value >= lower + by) && (upper === null || value <= upper - by);
    if (rule === "simple") return within(0) ? "conforms" : "rejected";
    if (rule !== "iso14253-1") return within(guard) ? "conforms" : within(-guard) ? "undecided" : "rejected";
    if (u === 0) return within(0) ? "conforms" : "rejected";
    const below = lower === null ? 0 : stat.tBelow((lower - value) / u, dof);
    const above = upper === null ? 0 : stat.tBelow((value - upper) / u, dof);
    const probability = 1 - below - above;
    return probability >= p ? "conforms" : probability <= 1 - p ? "rejected" : "undecided";
  };
  const reading = ({ limits }, raw) => {
    const read = raw.value.map((v, k) => (v === "" ? null : k)).filter((k) => k !== null);
    const of = (name) => read.map((k) => (raw[name][k] === "" ? null : Number(raw[name][k])));
    const [values, u, dof] = [of("value"), of("u"), of("dof")];
    const U95 = quantile(values.map((_, k) => stat.tQuantile(TWO_SIDED, dof[k]) * u[k]), 0.5);
    const found = { median: quantile(values, 0.5), U95, conforms: 0, undecided: 0, rejected: 0 };
    if (limits === null) return found;
    if (limits.lower !== null && limits.upper !== null) found.share = (2 * U95) / (limits.upper - limits.lower);
    values.forEach((value, k) => {
      const said = verdict(value, u[k], dof[k], limits);
      found[said === "conforms" && raw.doubt[read[k]] !== "" ? "undecided" : said] += 1;
    });
    return found;
  };

  // --- type 1 ---
  const type1 = ({ tolerance, reference, u_reference, share, spread, least }, raw) => {
    const x = numbers(raw.value);
    const n = x.length;
    const s = sd(x);
    const bias = mean(x.map((v) => v - reference));
    const ends = [TWO_SIDED, 1 - TWO_SIDED].map((p) => s * Math.sqrt((n - 1) / stat.chi2Quantile(p, n - 1)));
    const U = Math.hypot((stat.tQuantile(TWO_SIDED, n - 1) * s) / Math.sqrt(n), stat.normalQuantile(TWO_SIDED) * u_reference);
    const half = (share * tolerance) / 2;
    const [cg, cgk] = [(share * tolerance) / (spread * s), (half - Math.abs(bias)) / ((spread * s) / 2)];
    return {
      mean: mean(x), s: interval(s, ...ends), bias: interval(bias, bias - U, bias + U),
      cg: interval(cg, (cg * s) / ends[1], (cg * s) / ends[0]),
      cgk: cgkInterval(cgk, bias, s, n, u_reference, half, spread / 2),
      smallest_tolerance: (least * spread * s + 2 * Math.abs(bias)) / share,
    };
  };
  const cgkInterval = (cgk, bias, s, n, u, half, sds) => {
    const weights = stat.chi(n - 1, 300, 1e-14);
    // From the non-central t of (limit − mean)/s.
    const side = (distance) => {
      const reach = 12 * Math.sqrt(1 / n + distance ** 2 / (2 * (n - 1)));
      const falling = (shift) => sum(weights.map(([v, w]) => w * stat.normal(Math.sqrt(n) * (distance * v - shift))));
      return [TWO_SIDED, 1 - TWO_SIDED].map((q) =>
        stat.inverse((shift) => -falling(shift), -q, distance - reach, distance + reach),
      );
    };
    const found = [-1, 1].map((sign) => side((half + sign * bias) / s));
    const [low, high] = [0, 1].map((k) => Math.min(found[0][k], found[1][k]) / sds);
    const extra = (stat.normalQuantile(TWO_SIDED) * u) / (sds * s);
    return interval(cgk, cgk - Math.hypot(cgk - low, extra), cgk + Math.hypot(Math.max(high, cgk) - cgk, extra));
  };

  // --- gauge R&R: crossed random effects, unweighted means of the cells, and modified large samples ---
  const subsets = (k) => [...Array(2 ** k).keys()].map((bits) => [...Array(k).keys()].filter((f) => (bits >> f) & 1));
  const holds = (outer, inner) => inner.every((f) => outer.includes(f));
  const named = (factors) => factors.join("×");
  const termsOf = (codes, levels, values) => {
    const y = values.map((v) => v - values[0]);
    const middle = mean(y);
    const keys = values.map((_, k) => codes.map((code) => code[k]).join("|"));
    const cells = groups(keys, y.map((v) => v - middle));
    const size = levels.reduce((a, b) => a * b, 1);
    const within = sum([...cells.values()].map((c) => sum(c.map((v) => (v - mean(c)) ** 2))));
    const n = size / sum([...cells.values()].map((c) => 1 / c.length));
    const places = [...cells.keys()].map((key) => key.split("|"));
    let left = [...cells.values()].map(mean);
    const all = mean(left);
    left = left.map((v) => v - all);
    const terms = [];
    for (const factors of subsets(levels.length).filter((f) => f.length).sort((a, b) => a.length - b.length)) {
      const at = places.map((place) => factors.map((f) => place[f]).join("|"));
      const effects = new Map([...groups(at, left)].map(([key, of]) => [key, mean(of)]));
      left = left.map((v, k) => v - effects.get(at[k]));
      const copies = (n * size) / factors.reduce((a, f) => a * levels[f], 1);
      const ss = copies * sum([...effects.values()].map((v) => v * v));
      terms.push({ factors, ss, dof: factors.reduce((a, f) => a * (levels[f] - 1), 1) });
    }
    const dof = values.length - size;
    if (dof > 0) terms.push({ factors: [], ss: within, dof });
    else terms.push({ ...terms.pop(), factors: [] });
    return { terms, n };
  };
  // Rows: how the variance of each term is made of the mean squares.
  const rowsOf = (terms, levels, n, fixed) => {
    const held = (s, t) => {
      if (!t.length) return 1;
      // What is made of fixed levels alone sums to zero over them, and adds to its own mean square only.
      if (holds(fixed, t) ? named(s) !== named(t) : !s.length || !holds(t, s)) return 0;
      return n * levels.reduce((a, level, k) => (t.includes(k) ? a : a * level), 1);
    };
    const one = (k) => terms.map((_, j) => Number(j === k));
    return stat.solve(terms.map((s) => terms.map((t) => held(s.factors, t.factors))), terms.map((_, k) => one(k)));
  };
  const tested = (terms, levels, n, fixed) => {
    const rows = rowsOf(terms, levels, n, fixed);
    return terms.map((term, k) => {
      const against = terms.filter((_, j) => j !== k && Math.abs(rows[k][j]) > 1e-9 * Math.abs(rows[k][k]));
      if (!term.factors.length || against.length !== 1) return { ...term, p: null };
      const F = term.ss / term.dof / (against[0].ss / against[0].dof);
      return { ...term, p: stat.fAbove(F, term.dof, against[0].dof) };
    });
  };
  const analysed = (found, levels, above, fixed) => {
    let { terms } = found;
    if (above !== null)
      for (let order = levels.length; order > 1; order--) {
        const judged = tested(terms, levels, found.n, fixed);
        const out = judged.filter(
          (t) => t.factors.length === order && t.p !== null && t.p > above &&
            !judged.some((o) => o.factors.length > order && holds(o.factors, t.factors)),
        );
        const error = judged.at(-1);
        terms = judged.filter((t) => t.factors.length && !out.includes(t));
        terms.push({ factors: [], ss: error.ss + sum(out.map((t) => t.ss)), dof: error.dof + sum(out.map((t) => t.dof)) });
      }
    const rows = rowsOf(terms, levels, found.n, fixed);
    const row = (factors) => rows[terms.findIndex((t) => named(t.factors) === named(factors))] ?? terms.map(() => 0);
    return { terms, row, ms: terms.map((t) => t.ss / t.dof) };
  };
  const largeSample = (dof) => {
    const tail = 1 - TWO_SIDED;
    const up = (n) => stat.chi2Quantile(1 - tail, n);
    const G = dof.map((n) => 1 - n / up(n));
    const H = dof.map((n) => n / stat.chi2Quantile(tail, n) - 1);
    const apart = dof.map((a, i) => dof.map((b, j) => {
      const F = stat.fQuantile(1 - tail, a, b);
      return ((F - 1) ** 2 - (G[i] * F) ** 2 - H[j] ** 2) / F;
    }));
    const alike = dof.map((a, i) => dof.map((b, j) => {
      if (i === j) return 0;
      const joint = ((1 - (a + b) / up(a + b)) ** 2 * (a + b) ** 2) / (a * b);
      return joint - (G[i] ** 2 * a) / b - (G[j] ** 2 * b) / a;
    }));
    const low = (parts, [value, from] = [0, 0]) => {
      const plus = parts.map((v) => Math.max(v, 0));
      const minus = parts.map((v) => Math.max(-v, 0));
      const form = (a, matrix, b) => sum(a.map((v, i) => v * sum(b.map((w, j) => matrix[i][j] * w))));
      let V = sum(plus.map((v, k) => (G[k] * v) ** 2)) + sum(minus.map((v, k) => (H[k] * v) ** 2));
      const of = plus.filter((v) => v > 0).length;
      if (minus.some((v) => v > 0)) {
        V += form(plus, apart, minus);
        if (of > 1) V += form(plus, alike, plus) / 2 / (of - 1);
      }
      return sum(parts) + value - Math.sqrt(Math.max(V, 0) + (value - from) ** 2);
    };
    const root = (over, under, beside, sign) => {
      const at = (log) => {
        const [value, ...ends] = beside.map((v) => -sign * Math.exp(log) * v);
        return sign * low(over.map((v, k) => sign * (v - Math.exp(log) * under[k])), [value, Math.min(...ends)]);
      };
      const middle = Math.log(Math.max(Math.abs(sum(over)), 1e-300) / (sum(under) + beside[0]));
      let [from, to, step] = [middle - 1, middle + 1, 2];
      for (; at(from) <= 0 && from > -600; step *= 2) from -= step;
      for (; at(to) >= 0 && to < 600; step *= 2) to += step;
      if (at(from) <= 0 || at(to) >= 0) return at(from) <= 0 ? 0 : Infinity;
      return Math.exp(stat.inverse((log) => -at(log), 0, from, to));
    };
    return {
      interval: (parts, [value, from, to]) => [low(parts, [value, from]), -low(parts.map((v) => -v), [-value, -to])],
      ratio: (over, under, beside) => [
        low(over) <= 0 ? 0 : root(over, under, beside, 1), low(under, beside) <= 0 ? Infinity : root(over, under, beside, -1),
      ],
    };
  };
  // What fixed levels add, by the non-central F of their mean square over what it is compared with: one mean square, or
  // a sum of several with the degrees of freedom of Satterthwaite.
  const fixedOne = (whole, term, shrink) => {
    const row = whole.row(term.factors);
    const own = whole.terms.indexOf(term);
    const others = row.map((_, k) => k).filter((k) => k !== own && Math.abs(row[k]) > 1e-12 * Math.abs(row[own]));
    const shares = others.map((k) => (-row[k] / row[own]) * whole.ms[k]);
    const against = Math.max(sum(shares), whole.ms.at(-1));
    const dofAgainst = against ** 2 / sum(shares.map((v, k) => v ** 2 / whole.terms[others[k]].dof));
    const F = whole.ms[own] / against;
    const weights = stat.chi(dofAgainst, 120, 1e-12);
    const end = (level) => {
      const at = (shift) => sum(weights.map(([v, w]) => w * stat.nonCentral(term.dof * F * v * v, term.dof, shift))) - level;
      if (at(0) <= 0) return 0;
      let high = Math.max(term.dof * F, 1);
      while (at(high) > 0) high *= 2;
      return stat.crossing(at, 0, high);
    };
    const scale = shrink * row[own];
    const ends = [TWO_SIDED, 1 - TWO_SIDED].map((p) => (scale * end(p) * against) / term.dof);
    return [scale * (whole.ms[own] - sum(shares)), ...ends];
  };
  const rr = ({ factors, pool, pool_above, tolerance, spread, every }, raw) => {
    const columns = ["part", ...factors];
    const codes = columns.map((name) => raw[name]);
    const levels = codes.map((code) => new Set(code).size);
    const found = termsOf(codes, levels, numbers(raw.value));
    const points = analysed(found, levels, { rule: pool_above, always: 0, never: null }[pool], every);
    const whole = pool === "rule" ? analysed(found, levels, null, every) : points;
    const sample = largeSample(whole.terms.map((t) => t.dof));
    const shrink = (t) => (t.length && holds(every, t) ? t.reduce((a, k) => (a * (levels[k] - 1)) / levels[k], 1) : 1);
    const variance = (terms) => sum(terms.map((t) => {
      const row = points.row(t);
      return Math.max(sum(row.map((c, k) => c * points.ms[k])), 0) * shrink(t);
    }));
    const isFixed = (t) => t.length > 0 && holds(every, t);
    const parts = (terms) => whole.ms.map((ms, k) => ms * sum(terms.filter((t) => !isFixed(t)).map((t) => whole.row(t)[k])));
    const fixed = new Map(whole.terms.filter((t) => isFixed(t.factors)).map((t) => [named(t.factors), fixedOne(whole, t, shrink(t.factors))]));
    // Levels that are all there are stand beside the mean squares, with intervals of their own.
    const beside = (terms) => {
      const each = terms.filter(isFixed).map((t) => fixed.get(named(t)));
      if (!each.length) return [0, 0, 0];
      const value = sum(each.map((e) => e[0]));
      const seen = each.filter((e) => e[1] > 0);
      const from = sum(seen.map((e) => e[0])) - Math.hypot(...seen.map((e) => e[0] - e[1]));
      return [value, Math.min(from, value), value + Math.hypot(...each.map((e) => e[2] - e[0]))];
    };
    const figure = (terms) => {
      const value = variance(terms);
      const ends = sample.interval(parts(terms), beside(terms));
      return interval(Math.sqrt(value), Math.sqrt(Math.min(Math.max(ends[0], 0), value)), Math.sqrt(Math.max(ends[1], value)));
    };
    const all = whole.terms.map((t) => t.factors);
    const measuring = all.filter((t) => named(t) !== "0");
    const ratio = variance([[0]]) / variance(measuring);
    const ends = sample.ratio(parts([[0]]), parts(measuring), beside(measuring));
    const [least, most] = [Math.min(ends[0], ratio), Math.max(ends[1], ratio)];
    const [grr, tv] = [figure(measuring), figure(all)];
    const times = (f, by) => interval(f.value * by, f.low === null ? null : f.low * by, f.high === null ? null : f.high * by);
    const ordered = [[], ...measuring.filter((t) => t.length), [0]];
    const total = variance(all);
    return {
      ev: figure([[]]), av: factors.length ? figure(all.filter((t) => t.length === 1 && t[0] !== 0)) : null, grr,
      pv: figure([[0]]), tv, share_of_total: interval(grr.value / tv.value, 1 / Math.sqrt(1 + most), 1 / Math.sqrt(1 + least)),
      share_of_tolerance: tolerance === null ? null : times(grr, spread / tolerance),
      categories: interval(...[ratio, least, most].map((r) => 1.41 * Math.sqrt(r))),
      components: ordered.map((t) => ({ sd: figure([t]), share_of_variance: variance([t]) / total })),
      terms: points.terms,
    };
  };

  // --- linearity ---
  const linearity = ({ u_reference }, raw) => {
    const x = numbers(raw.reference);
    const bias = numbers(raw.value).map((v, k) => v - x[k]);
    const [n, level] = [x.length, mean(bias)];
    const of = [...groups(x, bias)].sort(([a], [b]) => a - b).map(([reference, b]) => ({
      reference, b, n: b.length, mean: mean(b), u: raw.u_reference ? Number(raw.u_reference[x.indexOf(reference)]) : 0,
    }));
    const own = of.some((r) => r.u > 0);
    const dof = own ? n - of.length : n - 2;
    const line = (weights) => {
      const all = sum(weights);
      const middle = sum(of.map((r, k) => weights[k] * r.reference)) / all;
      const Sxx = sum(of.map((r, k) => weights[k] * (r.reference - middle) ** 2));
      const slopeBy = of.map((r, k) => (weights[k] * (r.reference - middle)) / Sxx);
      return { slopeBy, at: (reference) => weights.map((w, k) => w / all + (reference - middle) * slopeBy[k]) };
    };
    const value = (by) => sum(by.map((c, k) => c * of[k].mean));
    const leftOf = (by) => x.map((v, k) => bias[k] - value(by.at(v)));
    const plain = line(of.map((r) => r.n));
    const within = sum(of.map((r) => sum(r.b.map((v) => (v - r.mean) ** 2))));
    const s = Math.sqrt((own ? within : sum(leftOf(plain).map((v) => v * v))) / dof);
    const fit = own ? line(of.map((r) => 1 / (r.u ** 2 + s ** 2 / r.n))) : plain;
    const spread = (by, common = 0) => {
      const scatter = sum(by.map((c, k) => (c * c * s * s) / of[k].n));
      const whole = scatter + sum(by.map((c, k) => (c * of[k].u) ** 2)) + common ** 2;
      return { u: Math.sqrt(whole), dof: dof * (whole / scatter) ** 2 };
    };
    const figure = (by, common) => {
      const { u, dof: open } = spread(by, common);
      const U = stat.tQuantile(TWO_SIDED, open) * u;
      return interval(value(by), value(by) - U, value(by) + U);
    };
    const common = stat.normalQuantile(TWO_SIDED) * u_reference;
    const p = 1 - 0.05 / (2 * of.length);
    const at = of.map(({ reference, b, u }) => {
      const scatters = b.length > 1 && Math.max(...b) - Math.min(...b) > 1e-12 * (Math.abs(reference) + Math.max(...b.map(Math.abs)));
      const reach = scatters ? (stat.tQuantile(p, b.length - 1) * sd(b)) / Math.sqrt(b.length) : (stat.tQuantile(p, dof) * s) / Math.sqrt(b.length);
      const V = Math.hypot(reach, stat.normalQuantile(p) * u, common);
      return { n: b.length, bias: interval(mean(b), mean(b) - V, mean(b) + V), s: scatters ? sd(b) : s };
    });
    // The band of the whole line after Working and Hotelling, at both ends.
    const ends = [Math.min(...x), Math.max(...x)].map((r) => {
      const [here, open] = [value(fit.at(r)), spread(fit.at(r))];
      const band = Math.hypot(Math.sqrt(2 * stat.fQuantile(0.95, 2, open.dof)) * open.u, common);
      return interval(here, here - band, here + band);
    });
    const sized = [...ends, ...at.map((a) => a.bias)].map((f) => [Math.abs(f.value), Math.max(f.low, -f.high, 0), Math.max(-f.low, f.high)]);
    const around = sum(bias.map((b) => (b - level) ** 2));
    return {
      slope: figure(fit.slopeBy), intercept: figure(fit.at(0), u_reference),
      s, r_squared: 1 - sum(leftOf(fit).map((v) => v * v)) / around, at,
      largest: interval(...[0, 1, 2].map((i) => Math.max(...sized.map((f) => f[i])))),
    };
  };

  // --- stability ---
  const stability = ({ base, centre, weight, width }, raw) => {
    const values = numbers(raw.value).map((v, k) => v - (raw.reference ? Number(raw.reference[k]) : 0));
    const sets = raw.set ? [...groups(raw.set, values).values()] : values.map((v) => [v]);
    const points = sets.map(mean);
    const counts = sets.map((s) => s.length);
    const start = points.slice(0, base);
    const moving = start.slice(1).map((v, k) => Math.abs(v - start[k]));
    const pooled = sets.slice(0, base).map((s) => [sum(s.map((v) => (v - mean(s)) ** 2)), s.length - 1]);
    const own = raw.set
      ? Math.sqrt(sum(pooled.map(([q]) => q)) / sum(pooled.map(([, f]) => f)))
      : (mean(moving) * Math.sqrt(Math.PI)) / 2;
    const sigma = counts.map((n) => own / Math.sqrt(n));
    const middle = centre ?? sum(start.map((v, k) => v * counts[k])) / sum(counts.slice(0, base));
    let [z, v] = [middle, 0];
    const averages = points.map((x, k) => {
      z = weight * x + (1 - weight) * z;
      v = (weight * sigma[k]) ** 2 + (1 - weight) ** 2 * v;
      return [z, Math.sqrt(v)];
    });
    const n = points.length;
    const t = points.map((_, k) => k - (n - 1) / 2);
    const level = mean(points);
    const tt = sum(t.map((a) => a * a));
    const slope = sum(t.map((a, k) => a * (points[k] - level))) / tt;
    const u = Math.sqrt(sum(t.map((a, k) => (points[k] - level - slope * a) ** 2)) / (n - 2) / tt);
    const [change, U] = [slope * (n - 1), stat.tQuantile(TWO_SIDED, n - 2) * u * (n - 1)];
    const out = points.map((x, k) => Number(Math.abs(x - middle) > 3 * sigma[k]) + Number(Math.abs(averages[k][0] - middle) > width * averages[k][1]));
    return {
      centre: middle, sigma, averages: averages.map((a) => a[0]), spreads: averages.map((a) => a[1]),
      drift: interval(change, change - U, change + U), alarms: sum(out), runs: [0, 0.5, 1].map((by) => runLength(by, weight, width)),
    };
  };
  // Crowder's integral equation (1987) for the points until an alarm.
  const runLength = (shift, weight, width) => {
    const h = width * Math.sqrt(weight / (2 - weight));
    const nodes = stat.legendre(61).map(([x, w]) => [h * x, h * w]);
    const density = (to, from) => Math.exp(-((((to - (1 - weight) * from) / weight) - shift) ** 2) / 2) / (weight * Math.sqrt(2 * Math.PI));
    const matrix = nodes.map(([x], i) => nodes.map(([y, w], j) => Number(i === j) - density(y, x) * w));
    const lengths = stat.solve(matrix, nodes.map(() => [1]));
    return 1 + sum(nodes.map(([y, w], k) => density(y, 0) * w * lengths[k][0]));
  };

  // --- known lengths ---
  const lengths = (_, raw) => {
    const [known, measured, u] = [raw.known, raw.measured, raw.u].map(numbers);
    const errors = measured.map((v, k) => v - known[k]);
    const allowed = raw.allowed ? numbers(raw.allowed) : null;
    const over = errors.map((e, k) => Math.abs(e) - (allowed ? allowed[k] : 0));
    const reach = stat.normalQuantile(0.95);
    const size = errors.map(Math.abs);
    const count = (kept) => (allowed ? errors.filter((e, k) => kept(Math.abs(e), k) <= allowed[k]).length : null);
    const n = known.length;
    const [middle, level, Sxx] = [mean(known), mean(errors), stat.squares(known)];
    const slope = sum(known.map((v, k) => (v - middle) * errors[k])) / Sxx;
    const offset = level - slope * middle;
    const s = Math.sqrt(sum(known.map((v, k) => (errors[k] - offset - slope * v) ** 2)) / (n - 2));
    const t = stat.tQuantile(TWO_SIDED, n - 2);
    const U = Math.hypot((t * s) / Math.sqrt(Sxx), 1.96 * Math.max(...known.map((v, k) => u[k] / v)));
    const V = t * s * Math.sqrt(1 / n + middle ** 2 / Sxx);
    const places = ["position", "orientation", "height"].flatMap((by) => [...groups(raw[by], errors).values()].map((of) => ({
      n: of.length, mean: mean(of), largest: of.reduce((a, b) => (Math.abs(b) > Math.abs(a) ? b : a)),
    })));
    return {
      largest: interval(Math.max(...size), Math.max(...size.map((e, k) => Math.max(e - reach * u[k], 0))), Math.max(...size.map((e, k) => e + reach * u[k]))),
      worst_error: errors[over.indexOf(Math.max(...over))], within: count((e) => e), shown: count((e, k) => e + reach * u[k]),
      scale: interval(slope, slope - U, slope + U), offset: interval(offset, offset - V, offset + V), places,
    };
  };

  // --- decisions ---
  const good = (word) => ["good", "conforms"].includes(word.toLowerCase());
  // Cohen 1960; its standard error after Fleiss, Cohen & Everitt 1969, eq. 13.
  const cohen = (table) => {
    const n = sum(table.flat());
    const p = table.map((row) => row.map((v) => v / n));
    const rows = p.map(sum);
    const columns = [0, 1].map((k) => p[0][k] + p[1][k]);
    const [agree, chance] = [p[0][0] + p[1][1], rows[0] * columns[0] + rows[1] * columns[1]];
    if (chance >= 1) return [1, 0];
    const kappa = (agree - chance) / (1 - chance);
    let V = -((kappa - chance * (1 - kappa)) ** 2);
    for (const i of [0, 1])
      for (const j of [0, 1])
        V += i === j ? p[i][i] * (1 - (rows[i] + columns[i]) * (1 - kappa)) ** 2 : p[i][j] * (columns[i] + rows[j]) ** 2 * (1 - kappa) ** 2;
    return [kappa, Math.sqrt(Math.max(V / (n * (1 - chance) ** 2), 0))];
  };
  const kappaOf = (decisions) => {
    const tables = [...decisions.values()].map((of) => {
      const table = [[0, 0], [0, 0]];
      of.forEach((d) => (table[Number(!good(d.truth))][Number(!good(d.said))] += 1));
      return table;
    });
    const add = (a, b, sign) => a.map((row, i) => row.map((v, j) => v + sign * b[i][j]));
    const whole = tables.reduce((a, b) => add(a, b, 1));
    let [kappa, error] = cohen(whole);
    const n = tables.length;
    if (!whole[0][1] && !whole[1][0]) {
      // Where all agree the error is 0 by any formula: the least share of agreement that n parts allow stands in.
      const chance = (whole[0][0] ** 2 + whole[1][1] ** 2) / sum(whole.flat()) ** 2;
      return interval(1, Math.max(1 - rate(0, n).high / (1 - chance), -1), 1);
    }
    if (sum(whole.flat()) > n) {
      // Decisions on one part belong together: one part at a time is left out (jackknife).
      const without = tables.map((one) => cohen(add(whole, one, -1))[0]);
      error = Math.sqrt(((n - 1) / n) * sum(without.map((v) => (v - mean(without)) ** 2)));
    }
    const reach = stat.normalQuantile(TWO_SIDED) * error;
    return interval(kappa, Math.max(kappa - reach, -1), Math.min(kappa + reach, 1));
  };
  const agreement = ({ confidence, prevalence }, raw) => {
    const decisions = groups(raw.part, raw.part.map((_, k) => ({ said: raw.said[k], truth: raw.truth[k] })));
    const each = [...decisions.values()];
    const wrong = (of) => of.some((d) => good(d.said) !== good(d.truth));
    const of = (kept) => rate(each.filter(kept).filter(wrong).length, each.filter(kept).length, confidence);
    const known = raw.truth.every((word) => word !== "");
    const repeated = each.filter((d) => d.length > 1);
    const alike = repeated.filter((d) => new Set(d.map((one) => one.said.toLowerCase())).size === 1).length;
    const names = [...new Set(raw.truth.map((word) => word.toLowerCase()))].sort((a, b) => (good(b) - good(a)) || (a < b ? -1 : 1));
    return {
      kappa: known ? kappaOf(decisions) : null, misses: known ? of((d) => !good(d[0].truth)) : null,
      false_alarms: known ? of((d) => good(d[0].truth)) : null, same: rate(alike, repeated.length, confidence),
      classes: names.map((name) => ({ wrong: of((d) => d[0].truth.toLowerCase() === name) })),
    };
  };
  const trial = ({ confidence }, raw) => {
    const wrong = raw.part.map((_, k) => (raw.verdict[k] === "conforms") === (raw.truth[k] === "bad"));
    const of = (kept) => {
      const at = raw.part.map((_, k) => k).filter(kept);
      return rate(at.filter((k) => wrong[k]).length, at.length, confidence);
    };
    const names = [...new Set(raw.part.map((_, k) => `${raw.truth[k] === "bad" ? 1 : 0}|${raw.class[k]}`))].sort();
    return {
      escapes: of((k) => raw.truth[k] === "bad"), false_rejects: of((k) => raw.truth[k] === "good"),
      classes: names.map((name) => ({
        wrong: of((k) => `${raw.truth[k] === "bad" ? 1 : 0}|${raw.class[k]}` === name),
      })),
    };
  };
  // How many more parts without an event would show a rate.
  const more = ({ events, n, most, confidence }) => {
    let [low, high] = [n, 100000000];
    while (high - low > 1) {
      const middle = Math.floor((low + high) / 2);
      if (atMost(events, middle, 1 - confidence) <= most) high = middle;
      else low = middle;
    }
    return high - n;
  };

  // --- pose of a robot, in the manner of ISO 9283 ---
  const pose = (_, raw) => {
    const names = [...new Set(raw.pose)];
    const axes = ["x", "y", "z"].filter((axis) => raw[axis]);
    return { poses: names.map((name) => {
      const rows = raw.pose.map((_, k) => k).filter((k) => raw.pose[k] === name);
      const places = axes.map((axis) => rows.filter((k) => raw[axis][k] !== "").map((k) => Number(raw[axis][k]))).filter((c) => c.length);
      const [n, d, middle] = [rows.length, places.length, places.map(mean)];
      const away = rows.map((_, j) => Math.hypot(...places.map((column, i) => column[j] - middle[i])));
      const rp = { value: mean(away) + 3 * sd(away) };
      if (raw["commanded x"][rows[0]] === "") return { rp, ap: null };
      const offset = middle.map((v, i) => v - Number(raw[`commanded ${axes[i]}`][rows[0]]));
      const ap = Math.hypot(...offset);
      const product = (a, b) => sum(places[a].map((v, j) => (v - middle[a]) * (places[b][j] - middle[b]))) / (n - 1);
      const covariance = places.map((_, a) => places.map((_, b) => product(a, b)));
      const along = offset.map((v, i) => (ap > 0 ? v / ap : Number(i === 0)));
      const variance = sum(along.map((a, i) => a * sum(along.map((b, j) => covariance[i][j] * b))));
      const U = stat.tQuantile(TWO_SIDED, n - 1) * Math.sqrt(Math.max(variance, 0) / n);
      // Hotelling's T², without an axis along which nothing scatters.
      const live = places.map((_, i) => i).filter((i) => covariance[i][i] > 0);
      const solved = stat.solve(live.map((i) => live.map((j) => covariance[i][j])), live.map((i) => [offset[i]]));
      const squared = (n * sum(live.map((i, k) => offset[i] * solved[k][0])) * (n - d)) / (d * (n - 1));
      return { rp, ap: interval(ap, stat.fAbove(squared, d, n - d) < 0.05 ? Math.max(ap - U, 0) : 0, ap + U) };
    }) };
  };

  // --- limits with known risk, after JCGM 106 and the rule of ISO 14253-1 ---
  const limits = ({ limits: due, u_own, u_common, dof, parts: stated, sd_high, by_rule, by_risks }, raw) => {
    let [parts, high] = [stated, sd_high];
    if (raw) {
      const x = numbers(raw.value);
      parts = { values: x, read: true };
      if (!stated.values) {
        const [s, n] = [sd(x), x.length];
        const own = (v) => Math.sqrt(v * v - u_own * u_own);
        parts = { mean: mean(x), sd: own(s), read: true };
        high = own(s * Math.sqrt((n - 1) / stat.chi2Quantile(0.05, n - 1)));
      }
    }
    const far = high === null ? parts : { ...parts, sd: high };
    const placed = (zones) => ({
      guard: Number.isFinite(zones.upper) ? zones.upper - zones.acceptUpper : zones.acceptLower - zones.lower,
      risks: risks.stations(parts, zones, u_own, u_common), unfavourable: risks.stations(far, zones, u_own, u_common),
    });
    const guarded = (guard) => risks.guarded(due.lower ?? -Infinity, due.upper ?? Infinity, guard);
    const ruled = () => (due.rule === "iso14253-1" ? risks.ruled(due, Math.hypot(u_own, u_common), dof) : guarded(due.guard));
    return {
      spread: { parts, sd_high: high }, without_guard: placed(guarded(0)), by_rule: by_rule ? placed(ruled()) : null,
      by_risks: by_risks === null ? null : placed(guarded(by_risks)),
    };
  };

  // --- a robot's touch test: what was shown beside what was expected ---
  const touch = ({ u, dof }, raw) => {
    const of = (name, k) => [Number(raw[`${name} x`][k]), Number(raw[`${name} y`][k])];
    const sizes = raw.point.map((_, k) => {
      if (raw["expected x"][k] === "") return null;
      const [a, b] = [of("shown", k), of("expected", k)];
      return Math.hypot(a[0] - b[0], a[1] - b[1]);
    });
    const counted = sizes.filter((_, k) => raw.verdict[k] !== "");
    const [worst, guard] = [Math.max(...counted), u === null ? NaN : stat.tQuantile(0.95, dof) * u];
    return {
      sizes, worst_mm: interval(worst, Math.max(worst - guard, 0), worst + guard),
      rms_mm: Math.sqrt(mean(counted.map((e) => e * e))),
    };
  };

  // --- capability, in the manner of ISO 22514-7 ---
  const capability = ({ tolerance, most_system, most_process }, raw) => {
    const causes = raw.u.map((u, k) => ({ u: Number(u), dof: raw.dof[k] === "" ? Infinity : Number(raw.dof[k]), system: raw.acts[k] === "system", group: raw.group[k] }));
    const capable = (of, most) => {
      const kept = of.filter((c) => c.group === "");
      for (const held of groups(of.filter((c) => c.group).map((c) => c.group), of.filter((c) => c.group)).values())
        kept.push(held.reduce((a, b) => (b.u > a.u ? b : a)));
      const u = Math.sqrt(sum(kept.map((c) => c.u ** 2)));
      const lost = sum(kept.map((c) => (c.u / u) ** 4 / c.dof));
      const ends = lost > 0 ? [TWO_SIDED, 1 - TWO_SIDED].map((p) => Math.sqrt(1 / lost / stat.chi2Quantile(p, 1 / lost))) : [1, 1];
      const figure = (value) => interval(value, value * ends[0], value * ends[1]);
      return { u, U: 2 * u, q: figure((4 * u) / tolerance), smallest_tolerance: figure((4 * u) / most) };
    };
    const found = { system: capable(causes.filter((c) => c.system), most_system) };
    if (most_process !== null) found.process = capable(causes, most_process);
    return found;
  };

  // What a requirement is held by: a figure of a study, how far off it is whichever way, in the requirement's unit.
  const held = ({ of, at, folded, per }) => {
    const found = at.map((path) => path.split(".").reduce((here, key) => here?.[key] ?? null, of));
    const [value, low, high] = [found[0], found[1] ?? -Infinity, found[2] ?? Infinity];
    const ends = low <= 0 && high >= 0 ? [0, Math.max(-low, high)] : [Math.abs(low), Math.abs(high)].sort((a, b) => a - b);
    return folded ? interval(Math.abs(value) * per, ends[0] * per, ends[1] * per) : interval(value * per, low * per, high * per);
  };

  return {
    reading, type1, rr, linearity, stability, lengths, agreement, trial, capability, touch, pose, limits, more, held,
    "rate": ({ events, n, confidence }) => rate(events, n, confidence),
    "quantile": ({ q, column }, raw) => quantile(numbers(raw[column]), q),
    "most": ({ column }, raw) => Math.max(...numbers(raw[column])),
    "count": ({ column, is }, raw) => raw[column].filter((word) => word === is).length,
  };
})();
