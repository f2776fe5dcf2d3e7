// Works out again, in the reader's own browser, what the report shows, from the raw numbers that stand in the page.
// Nothing is fetched, and nothing of tiepoint is needed: statistics.js, risks.js and formulas.js, before this, are all
// there is.
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

  // One study has many numbers, and is worked out once for all of them.
  const found = new Map();
  const once = (formula, inputs) => {
    const key = JSON.stringify([formula, inputs]);
    if (!found.has(key)) found.set(key, window.recompute(formula, inputs));
    return found.get(key);
  };
  const picked = (result, path) => path.split(".").filter(Boolean).reduce((at, key) => at?.[key] ?? null, result);
  const told = (number) => (Number.isFinite(number) ? String(Number(number.toPrecision(9))) : "no number");
  const near = (a, b, scale) => a !== null && Math.abs(a - b) <= 1e-9 * Math.max(Math.abs(b), 1e-6 * scale);
  const answer = ({ formula, inputs, numbers, held }) => {
    let result = null;
    try {
      result = once(formula, inputs);
      if (held) result = FORMULAS.held({ of: result, ...held });
    } catch {
      // Raw numbers that a person changed to nonsense work out to nothing.
    }
    const scale = Math.max(...Object.values(numbers).map(Math.abs));
    const each = Object.entries(numbers).map(([path, due]) => [picked(result, path), due]);
    const wrong = each.filter(([got, due]) => !near(got, due, scale));
    const words = wrong.length
      ? `differs: ${wrong.map(([got, due]) => `${told(got)}, and the report says ${told(due)}`).join("; ")}`
      : `${each.map(([got]) => told(got)).join(", ")}: the same`;
    return { words, wrong: wrong.length, of: each.length };
  };
  // Raw numbers are read anew for every press: a person may have changed one.
  const afresh = () => {
    tables.clear();
    found.clear();
  };
  const press = (button) => {
    const told = answer(JSON.parse(button.dataset.how));
    const place = button.nextElementSibling;
    place.textContent = ` ${told.words}`;
    place.className = told.wrong ? "again differs" : "again";
    return told;
  };

  const buttons = [...document.querySelectorAll("button[data-how]")];
  for (const button of buttons) {
    button.hidden = false;
    button.addEventListener("click", () => {
      afresh();
      press(button);
    });
  }
  const every = document.getElementById("recompute-all");
  if (!every) return;
  every.hidden = false;
  every.addEventListener("click", () => {
    afresh();
    const answers = buttons.map(press);
    const [of, wrong] = ["of", "wrong"].map((key) => answers.reduce((a, one) => a + one[key], 0));
    const place = every.nextElementSibling;
    place.textContent = wrong ? ` ${wrong} of ${of} numbers: differs` : ` ${of} numbers worked out again: all the same`;
    place.className = wrong ? "again differs" : "again";
    document.querySelector("td .differs")?.scrollIntoView({ block: "center" });
  });
})();
