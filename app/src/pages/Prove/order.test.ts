import { describe, expect, it } from "vitest";
import { cellsOf, limitOf, orderOf } from "./order";

const draft = {
  title: "Vents", customer: "Line 4", supplier: null, scope: "flat on the table", undecided: null, undecided_are: "not-accepted", takt_s: 0.5,
  not_checked: ["the back"], influence: [{ name: "hall", tested: "300 to 900 lx", assumed: null, excluded: null }, { name: "dust", tested: null, assumed: null, excluded: "hood" }],
  signature: [{ role: "supplier", name: "M. Weiss" }, { role: "customer", name: null }],
  control: { golden: ["G1", "G2"], every: "each shift", alarms: ["off the chart", "lamp dark"], again: [{ change: "lens", tests: ["rr", "lengths"] }] },
  characteristic: [{ name: "bore", reading: "bore.diameter", drawing: "C3", lower: 4.3, upper: 4.5, unit: "mm", variants: ["thin"], says: null }],
  requirement: [
    { id: "R1", says: "Gauge", by: "rr", of: "bore.diameter", most: 0.3, least: null, unit: "mm", figure: null, confidence: 0.95 },
    { id: "R2", says: "Capable", by: "type1", of: "bore.diameter", most: null, least: 1.33, unit: "mm", figure: "Cg", confidence: 0.9 },
  ],
} as never;

describe("what is agreed as cells", () => {
  it("comes back as it was", () => {
    const cells = cellsOf(draft);
    expect(cells.asked.map((row) => row["limit"])).toEqual(["30", "1.33"]);
    const { body, faults } = orderOf(draft, cells);
    expect(faults).toEqual({});
    expect(body).toEqual(draft);
  });
  it("keeps what has no cell where a name changes", () => {
    const cells = cellsOf(draft);
    cells.drawn[0]!["name"] = "bore A";
    cells.asked[1]!["limit"] = "1,67";
    const { body } = orderOf(draft, cells);
    expect(body.characteristic![0]).toMatchObject({ name: "bore A", variants: ["thin"] });
    expect(body.requirement![1]).toMatchObject({ least: 1.67, confidence: 0.9, figure: "Cg" });
    expect(body.control).toMatchObject({ golden: ["G1", "G2"] });
  });
  it("tells an influence once, and takes what stands in a line each or after commas apart", () => {
    const cells = cellsOf(draft);
    cells.influences[0]!["how"] = "assumed";
    cells.head["alarms"] = "off the chart\n\n lamp dark ";
    cells.again.push({ change: "camera", tests: "type1 rr,trial" });
    cells.signatures.push({ role: "customer", name: "A. Roth" });
    const { body } = orderOf(draft, cells);
    expect(body.influence![0]).toEqual({ name: "hall", tested: null, assumed: "300 to 900 lx", excluded: null });
    expect(body.control!.alarms).toEqual(["off the chart", "lamp dark"]);
    expect(body.control!.again![1]).toEqual({ change: "camera", tests: ["type1", "rr", "trial"] });
    expect(body.signature!.map((one) => one.name)).toEqual(["M. Weiss", null, "A. Roth"]);
  });
  it("says what is no number at its place", () => {
    const cells = cellsOf(draft);
    cells.asked[0]!["limit"] = "thirty";
    cells.drawn[0]!["lower"] = "4.3mm";
    const { faults } = orderOf(draft, cells);
    expect(Object.keys(faults).sort()).toEqual(["characteristic[0].lower", "requirement[0].most"]);
  });
  it("types shares in per cent, and seconds in seconds", () => {
    expect(limitOf({ by: "trial" })).toEqual({ unit: "%", per: 100 });
    expect(limitOf({ by: "times" })).toEqual({ unit: "s", per: 1 });
    expect(limitOf({ by: "linearity", unit: "in" })).toEqual({ unit: "in", per: 1 });
    expect(orderOf(null, { ...cellsOf(null), asked: [{ id: "R1", says: "x", by: "rr", way: "most", limit: "30" }] }).body.requirement![0]!.most).toBe(0.3);
  });
});
