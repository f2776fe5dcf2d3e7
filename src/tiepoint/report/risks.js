// Global risks of judging parts by a measurement (JCGM 106:2012, 9.3): of the average station, of one without an error
// in common, and of the 95 %-worst. Panels and nodes are those of tiepoint's own code, so that digits can be compared.
const risks = (() => {
  "use strict";
  const { sum } = stat;
  const spaced = (from, to, n) => [...Array(n).keys()].map((k) => from + ((to - from) * k) / (n - 1));
  const NODES = stat.legendre(8);
  const EDGE = spaced(-6.5, 6.5, 11);
  const STATIONS = spaced(-4.5, 4.5, 73);
  const NAMES = ["consumer", "producer", "good_rejected", "undecided", "bad", "bad_not_rejected"];
  const phi = (z) => (z > 9 ? 1 : z < -38 ? 0 : stat.normal(z));
  const below = (at, edge, u) => (u === 0 ? Number(at < edge) : phi((edge - at) / u));
  const above = (at, edge, u) => below(-at, -edge, u);
  const within = (at, low, high, u) => {
    if (!(low <= high)) return 0;
    if (u === 0) return Number(at >= low && at <= high);
    // Mirrored where the value lies above, so that both terms are lower tails with all their digits.
    const far = at > (Math.min(Math.max(low, -1e300), 1e300) + Math.min(Math.max(high, -1e300), 1e300)) / 2;
    return far ? phi((high - at) / u) - phi((low - at) / u) : phi((at - low) / u) - phi((at - high) / u);
  };
  const about = (edges, u) => [...new Set(edges)].filter(Number.isFinite).flatMap((edge) => EDGE.map((z) => edge + u * z));
  // Values of parts and the shares of all parts that they stand for.
  const places = (parts, zones, u, error, hidden) => {
    const off = parts.read ? error : 0;
    if (parts.values) return parts.values.map((v) => [v - off, 1 / parts.values.length]);
    const middle = parts.mean - off;
    const ends = spaced(-9, 9, 19).map((z) => middle + parts.sd * z);
    const [first, last] = [ends[0], ends[18]];
    ends.push(...(hidden ? about([zones.lower, zones.upper], hidden) : [zones.lower, zones.upper]));
    ends.push(...about([zones.acceptLower, zones.acceptUpper, zones.rejectLower, zones.rejectUpper], u).map((e) => e - error));
    const panels = ends.map((e) => Math.min(Math.max(e, first), last)).sort((a, b) => a - b);
    return panels.slice(1).flatMap((to, k) => {
      const half = (to - panels[k]) / 2;
      return NODES.filter(() => half > 0).map(([x, w]) => {
        const at = (to + panels[k]) / 2 + half * x;
        return [at, (half * w * Math.exp(-0.5 * ((at - middle) / parts.sd) ** 2)) / (parts.sd * Math.sqrt(2 * Math.PI))];
      });
    });
  };
  const shares = (parts, zones, u, error = 0, hidden = 0) => {
    const total = NAMES.map(() => 0);
    for (const [place, weight] of places(parts, zones, u, error, hidden)) {
      const at = place + error;
      const good = within(place, zones.lower, zones.upper, hidden);
      const bad = Math.min(below(place, zones.lower, hidden) + above(place, zones.upper, hidden), 1);
      const accepted = within(at, zones.acceptLower, zones.acceptUpper, u);
      const missed = Math.min(below(at, zones.acceptLower, u) + above(at, zones.acceptUpper, u), 1);
      const rejected = Math.min(below(at, zones.rejectLower, u) + above(at, zones.rejectUpper, u), 1);
      const undecided = Math.max(missed - rejected, 0);
      [bad * accepted, good * missed, good * rejected, undecided, bad, bad * (accepted + undecided)].forEach((v, k) => (total[k] += weight * v));
    }
    return total;
  };
  const named = (values) => Object.fromEntries(NAMES.map((name, k) => [name, values[k]]));

  // What 95 of 100 stations do not exceed, of shares at the stations above: by a cubic through them, not-a-knot, or by
  // one of Fritsch and Butland's, which overshoots nowhere, where the other does. Slopes are for a step of 1.
  const last = STATIONS.length - 1;
  const smooth = (y) => {
    const step = y.slice(1).map((v, k) => v - y[k]);
    const rows = y.map((_, k) => y.map((_, j) => (k === j ? (k % last ? 4 : 1) : Math.abs(k - j) === 1 ? (k % last ? 1 : 2) : 0)));
    const right = y.map((_, k) => [k % last ? 3 * (y[k + 1] - y[k - 1]) : (5 * step[k ? last - 1 : 0] + step[k ? last - 2 : 1]) / 2]);
    return stat.solve(rows, right).map(([slope]) => slope);
  };
  const monotone = (y) => {
    const step = y.slice(1).map((v, k) => v - y[k]);
    const end = (a, b) => {
      const slope = (3 * a - b) / 2;
      if (Math.sign(slope) !== Math.sign(a)) return 0;
      return Math.sign(a) !== Math.sign(b) && Math.abs(slope) > 3 * Math.abs(a) ? 3 * a : slope;
    };
    return y.map((_, k) => {
      if (k % last === 0) return k ? end(step[last - 1], step[last - 2]) : end(step[0], step[1]);
      const [a, b] = [step[k - 1], step[k]];
      return a * b > 0 ? 2 / (1 / a + 1 / b) : 0;
    });
  };
  const pieces = (y, slopes) => y.slice(1).map((to, k) => {
    const [from, a, b] = [y[k], slopes[k], slopes[k + 1]];
    const [c3, c2] = [2 * (from - to) + a + b, 3 * (to - from) - 2 * a - b];
    const root = Math.sqrt(Math.max(4 * c2 * c2 - 12 * c3 * a, 0));
    const turns = (c3 ? [(-2 * c2 - root) / (6 * c3), (-2 * c2 + root) / (6 * c3)] : [-a / (2 * c2)]).filter((t) => t > 0 && t < 1);
    return { at: (t) => from + t * (a + t * (c2 + t * c3)), ends: [0, ...turns.sort((p, q) => p - q), 1] };
  });
  // The probability that a station lies where the curve is at most `level`.
  const measured = (curve, level) => {
    const roots = curve.flatMap(({ at, ends }, k) => ends.slice(1).flatMap((to, j) => {
      const [a, b] = [at(ends[j]) - level, at(to) - level];
      if (a * b > 0 || a === b) return [];
      return [STATIONS[k] + (STATIONS[1] - STATIONS[0]) * stat.inverse((t) => Math.sign(b - a) * (at(t) - level), 0, ends[j], to)];
    }));
    const ends = [-Infinity, ...roots.sort((a, b) => a - b), Infinity];
    return sum(ends.slice(1).map((to, k) => {
      const middle = (Math.min(to, 9) + Math.max(ends[k], -9)) / 2;
      const where = Math.min(Math.max((middle - STATIONS[0]) / (STATIONS[1] - STATIONS[0]), 0), last);
      const piece = Math.min(Math.floor(where), last - 1);
      return curve[piece].at(where - piece) <= level ? phi(to) - phi(ends[k]) : 0;
    }));
  };
  const quantile = (values) => {
    const [low, high] = [Math.min(...values), Math.max(...values)];
    if (high - low <= 1e-15) return high;
    const y = values.map((v) => Math.round(((v - low) / (high - low)) * 1e14) / 1e14);
    let curve = pieces(y, smooth(y));
    if (measured(curve, -1e-3) > 0 || measured(curve, 1.001) < 1) curve = pieces(y, monotone(y));
    const level = stat.inverse((at) => measured(curve, at), 0.95, -2e-3, 1.002);
    return low + Math.min(Math.max(level, 0), 1) * (high - low);
  };

  const stations = (parts, zones, own, common) => {
    const average = parts.read
      ? shares({ ...parts, read: false }, zones, own, 0, common)
      : shares(parts, zones, Math.hypot(own, common));
    const alone = named(shares(parts, zones, own));
    if (common === 0) return { average: named(average), no_error: alone, worst: alone };
    const each = STATIONS.map((z) => shares(parts, zones, own, common * z));
    return { average: named(average), no_error: alone, worst: named(NAMES.map((_, k) => quantile(each.map((row) => row[k])))) };
  };
  const guarded = (lower, upper, guard) => ({
    lower, upper, acceptLower: lower + guard, acceptUpper: upper - guard,
    rejectLower: lower - Math.abs(guard), rejectUpper: upper + Math.abs(guard),
  });
  // What the rule of ISO 14253-1 makes of measured values: where the probability to conform falls to p, and to 1 − p.
  const ruled = ({ lower, upper, p }, u, dof) => {
    const probability = (v) =>
      Math.max(0, 1 - (lower === null ? 0 : stat.tBelow((lower - v) / u, dof)) - (upper === null ? 0 : stat.tBelow((v - upper) / u, dof)));
    const edge = (level, limit, way) => {
      if (limit === null) return way * Infinity;
      const inside = lower === null || upper === null ? limit - way * 60 * u : (lower + upper) / 2;
      return limit + way * stat.inverse((d) => -probability(limit + way * d), -level, way * (inside - limit), 60 * u);
    };
    return {
      lower: lower ?? -Infinity, upper: upper ?? Infinity, acceptLower: edge(p, lower, -1), acceptUpper: edge(p, upper, 1),
      rejectLower: edge(1 - p, lower, -1), rejectUpper: edge(1 - p, upper, 1),
    };
  };
  return { stations, guarded, ruled };
})();
