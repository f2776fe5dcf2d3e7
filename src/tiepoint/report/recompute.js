// Works out again, in the reader's own browser, what the report shows, from the raw numbers that stand in the page.
// Nothing is fetched, and nothing of tiepoint is needed: statistics.js and formulas.js, before this, are all there is.
(() => {
  "use strict";
  // A table of raw numbers is text: a line a row, columns apart by tabs, their names first.
  const tables = new Map();
  const columns = (name) => {
    if (!tables.has(name)) {
      const [head, ...rows] = document.getElementById(name).textContent.trim().split("\n").map((line) => line.split("\t"));
      tables.set(name, Object.fromEntries(head.map((word, k) => [word, rows.map((row) => row[k] ?? "")])));
    }
    return tables.get(name);
  };
  window.recompute = (formula, inputs, raw = null) => FORMULAS[formula](inputs, raw ?? (inputs.raw ? columns(inputs.raw) : null));

  const picked = (found, path) => path.split(".").filter(Boolean).reduce((at, key) => at?.[key] ?? null, found);
  const told = (number) => (Number.isFinite(number) ? String(Number(number.toPrecision(9))) : "no number");
  const near = (a, b, scale) => a !== null && Math.abs(a - b) <= 1e-9 * Math.max(Math.abs(b), 1e-6 * scale);
  const answer = ({ formula, inputs, numbers }) => {
    let found = null;
    try {
      found = window.recompute(formula, inputs);
    } catch {
      // Raw numbers that a person changed to nonsense work out to nothing.
    }
    const scale = Math.max(...Object.values(numbers).map(Math.abs));
    const each = Object.entries(numbers).map(([path, due]) => [picked(found, path), due]);
    const wrong = each.filter(([got, due]) => !near(got, due, scale));
    const words = wrong.length
      ? `differs: ${wrong.map(([got, due]) => `${told(got)}, and the report says ${told(due)}`).join("; ")}`
      : `${each.map(([got]) => told(got)).join(", ")}: the same`;
    return { words, wrong: wrong.length, of: each.length };
  };
  const press = (button) => {
    const found = answer(JSON.parse(button.dataset.how));
    const place = button.nextElementSibling;
    place.textContent = ` ${found.words}`;
    place.className = found.wrong ? "again differs" : "again";
    return found;
  };

  const buttons = [...document.querySelectorAll("button[data-how]")];
  for (const button of buttons) {
    button.hidden = false;
    button.addEventListener("click", () => press(button));
  }
  for (const table of document.querySelectorAll("pre.raw")) table.addEventListener("input", () => tables.delete(table.id));
  const every = document.getElementById("recompute-all");
  if (!every) return;
  every.hidden = false;
  every.addEventListener("click", () => {
    const found = buttons.map(press);
    const [of, wrong] = ["of", "wrong"].map((key) => found.reduce((a, one) => a + one[key], 0));
    const place = every.nextElementSibling;
    place.textContent = wrong ? ` ${wrong} of ${of} numbers: differs` : ` ${of} numbers worked out again: all the same`;
    place.className = wrong ? "again differs" : "again";
    document.querySelector("td .differs")?.scrollIntoView({ block: "center" });
  });
})();
