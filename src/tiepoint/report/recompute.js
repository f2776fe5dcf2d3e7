// Works out again, in the reader's own browser, what the report shows, from the inputs that stand beside each number.
// Nothing is fetched, and nothing of tiepoint is needed: these few formulas are all there is to it.
(() => {
  "use strict";
  const sorted = (values) => [...values].sort((a, b) => a - b);
  const sum = (values) => values.reduce((a, b) => a + b, 0);
  const mean = (values) => sum(values) / values.length;
  // Linear between order statistics (Hyndman & Fan 1996, type 7).
  const quantile = (values, q) => {
    const x = sorted(values);
    const at = (x.length - 1) * q;
    const low = Math.floor(at);
    return x[low] + (at - low) * ((x[low + 1] ?? x[low]) - x[low]);
  };
  // ln Γ after Lanczos (g = 7, nine terms; coefficients as in Numerical Recipes, from memory), good to 1e-13.
  const LANCZOS = [
    0.99999999999980993, 676.5203681218851, -1259.1392167224028, 771.32342877765313, -176.61502916214059,
    12.507343278686905, -0.13857109526572012, 9.9843695780195716e-6, 1.5056327351493116e-7,
  ];
  const lnGamma = (z) => {
    if (z < 0.5) return Math.log(Math.PI / Math.sin(Math.PI * z)) - lnGamma(1 - z);
    const x = z - 1;
    const t = x + 7.5;
    const series = LANCZOS.reduce((a, c, k) => (k ? a + c / (x + k) : c), 0);
    return 0.5 * Math.log(2 * Math.PI) + (x + 0.5) * Math.log(t) - t + Math.log(series);
  };
  // The incomplete beta function by its continued fraction (Lentz).
  const fraction = (x, a, b) => {
    let c = 1;
    let d = 1 / Math.max(1e-300, 1 - ((a + b) * x) / (a + 1));
    let h = d;
    for (let m = 1; m < 500; m++) {
      const even = (m * (b - m) * x) / ((a + 2 * m - 1) * (a + 2 * m));
      const odd = (-(a + m) * (a + b + m) * x) / ((a + 2 * m) * (a + 2 * m + 1));
      let step = 1;
      for (const term of [even, odd]) {
        d = 1 / (1 + term * d || 1e-300);
        c = 1 + term / c || 1e-300;
        step = d * c;
        h *= step;
      }
      if (Math.abs(step - 1) < 1e-15) break;
    }
    return h;
  };
  const beta = (x, a, b) => {
    if (x <= 0) return 0;
    if (x >= 1) return 1;
    const front = Math.exp(lnGamma(a + b) - lnGamma(a) - lnGamma(b) + a * Math.log(x) + b * Math.log1p(-x));
    return x < (a + 1) / (a + b + 2) ? (front * fraction(x, a, b)) / a : 1 - (front * fraction(1 - x, b, a)) / b;
  };
  // By halving: slow, and sure.
  const inverse = (rising, p, low, high) => {
    for (let k = 0; k < 200; k++) {
      const middle = (low + high) / 2;
      if (rising(middle) < p) low = middle;
      else high = middle;
    }
    return (low + high) / 2;
  };
  const betaQuantile = (p, a, b) => inverse((x) => beta(x, a, b), p, 0, 1);
  const tail = (t, dof) => 1 - 0.5 * beta(dof / (dof + t * t), dof / 2, 0.5);
  const tQuantile = (p, dof) => (p < 0.5 ? -tQuantile(1 - p, dof) : inverse((t) => tail(t, dof), p, 0, 1e6));

  const FORMULAS = {
    "count": ({ values }) => values.length,
    "most": ({ values }) => Math.max(...values),
    "median": ({ values }) => quantile(values, 0.5),
    "quantile": ({ values, q }) => quantile(values, q),
    "mean": ({ values }) => mean(values),
    "sd": ({ values }) => Math.sqrt(sum(values.map((v) => (v - mean(values)) ** 2)) / (values.length - 1)),
    "share": ({ events, n }) => events / n,
    // Clopper & Pearson 1934, one side at the confidence that is told.
    "at most": ({ events, n, confidence }) => (events >= n ? 1 : betaQuantile(confidence, events + 1, n - events)),
    "at least": ({ events, n, confidence }) => (events <= 0 ? 0 : betaQuantile(1 - confidence, events, n - events + 1)),
    // u from its sources: the root of the sum of squares; U with Student's t at the effective degrees of freedom.
    "u": ({ terms }) => Math.hypot(...terms.map(([c, u]) => c * u)),
    "U95": ({ u, dof }) => (dof === null ? 1.959963984540054 : tQuantile(0.975, dof)) * u,
  };
  window.recompute = (formula, inputs) => FORMULAS[formula](inputs);

  const told = (number) => (Number.isFinite(number) ? String(Number(number.toPrecision(12))) : "no number");
  for (const button of document.querySelectorAll("button[data-how]")) {
    button.hidden = false;
    button.addEventListener("click", () => {
      const { formula, inputs, number } = JSON.parse(button.dataset.how);
      const again = window.recompute(formula, inputs);
      const same = Math.abs(again - number) <= 1e-9 * Math.max(Math.abs(number), 1e-12);
      const place = button.nextElementSibling;
      place.textContent = ` ${told(again)}, by ${formula}: ${same ? "the same" : "NOT the number of the report"}`;
      place.className = same ? "again" : "again differs";
    });
  }
})();
