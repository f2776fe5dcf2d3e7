/** What is agreed, as cells of a table and again as the station takes it. Pure functions. */
import type { Answer } from "../../api/client";
import { plainNumber } from "../../marks/numbers";

type Draft = NonNullable<Answer<"/api/prove">["order"]["order"]>;
export type Row = Record<string, string>;

/** Kinds of study whose limits are shares, which are typed in per cent. */
const SHARES = ["rr", "trial", "agreement", "capability", "limits"];
/** Kinds whose limits have no unit. */
const BARE = ["type1", "faults", "alarms"];

export interface Cells {
  head: Row;
  drawn: Row[];
  asked: Row[];
  influences: Row[];
  again: Row[];
  signatures: Row[];
}

const lines = (all: readonly string[] | undefined): string => (all ?? []).join("\n");
const split = (typed: string | undefined, by: RegExp): string[] => (typed ?? "").split(by).map((one) => one.trim()).filter(Boolean);
/** What acts on a station is tested, assumed or excluded; a row tells one of them, and keeps the others. */
export const HOW = ["tested", "assumed", "excluded"] as const;

const text = (value: number | null | undefined, per = 1): string => (value == null ? "" : String(Number((value * per).toPrecision(12))));

/** Return in what a requirement's limit is typed: its unit, and by how much it is divided. */
export function limitOf(row: Row): { unit: string; per: number } {
  const by = row["by"] ?? "";
  if (SHARES.includes(by)) return { unit: "%", per: 100 };
  if (by === "times") return { unit: "s", per: 1 };
  return { unit: BARE.includes(by) ? "" : (row["unit"] ?? "mm"), per: 1 };
}

/** Return the cells of a draft; of none yet, one empty row each. */
export function cellsOf(draft: Draft | null | undefined): Cells {
  if (!draft) return { head: { title: "", customer: "", supplier: "", scope: "", undecided: "", undecided_are: "not-accepted", takt_s: "", not_checked: "", golden: "", every: "", alarms: "" }, drawn: [], asked: [], influences: [], again: [], signatures: [] };
  const control: Partial<NonNullable<Draft["control"]>> = draft.control ?? {};
  const head = {
    title: draft.title ?? "", customer: draft.customer ?? "", supplier: draft.supplier ?? "", scope: draft.scope ?? "",
    undecided: draft.undecided ?? "", undecided_are: draft.undecided_are ?? "not-accepted", takt_s: text(draft.takt_s), not_checked: lines(draft.not_checked),
    golden: (control.golden ?? []).join(", "), every: control.every ?? "", alarms: lines(control.alarms),
  };
  const influences = (draft.influence ?? []).map((one): Row => {
    const how = HOW.find((name) => one[name] != null) ?? "tested";
    return { was: one.name, name: one.name, how, says: one[how] ?? "" };
  });
  const again = (control.again ?? []).map((one): Row => ({ change: one.change, tests: (one.tests ?? []).join(", ") }));
  const signatures = (draft.signature ?? []).map((one): Row => ({ role: one.role, name: one.name ?? "" }));
  const drawn = (draft.characteristic ?? []).map((one) => ({
    was: one.name, name: one.name, reading: one.reading, drawing: one.drawing, lower: text(one.lower), upper: text(one.upper), unit: one.unit ?? "mm",
  }));
  const asked = (draft.requirement ?? []).map((one) => {
    const row: Row = { was: one.id, id: one.id, says: one.says, by: one.by, of: one.of ?? "", unit: one.unit ?? "mm", figure: one.figure ?? "", way: one.most != null ? "most" : one.least != null ? "least" : "" };
    return { ...row, limit: text(one.most ?? one.least, limitOf(row).per) };
  });
  return { head, drawn, asked, influences, again, signatures };
}

/** Return a number as it was typed, over `per`; null for nothing. What is no number is said in `faults`, by its place. */
export function numberOf(typed: string | undefined, where: string, faults: Record<string, string>, per = 1): number | null {
  const text = (typed ?? "").trim();
  if (text === "") return null;
  const value = plainNumber(text);
  if (value === null) {
    faults[where] = `${text.slice(0, 40)} is no number; give one, as in 0.2`;
    return null;
  }
  // 30 % is 0.3, and not 0.30000000000000004.
  return Number((value / per).toPrecision(15));
}

/** Return a draft with the cells in it, and what is no number, by its place. What has no cell stays as it was. */
export function orderOf(draft: Draft | null, { head, drawn, asked, influences, again, signatures }: Cells): { body: Draft; faults: Record<string, string> } {
  const faults: Record<string, string> = {};
  const number = (typed: string | undefined, where: string, per = 1) => numberOf(typed, where, faults, per);
  const words = (typed: string | undefined): string | null => typed?.trim() || null;
  const before = draft ?? ({ title: "", customer: "", control: {}, not_checked: [], characteristic: [], requirement: [], influence: [], signature: [], undecided_are: "not-accepted" } as unknown as Draft);
  const characteristic = drawn.map((row, k) => {
    const was = before.characteristic?.find((one) => one.name === row["was"]);
    const at = `characteristic[${k}]`;
    return { ...was, name: row["name"] ?? "", reading: row["reading"] ?? "", drawing: row["drawing"] ?? "", unit: words(row["unit"]) ?? "mm", lower: number(row["lower"], `${at}.lower`), upper: number(row["upper"], `${at}.upper`) };
  });
  const requirement = asked.map((row, k) => {
    const was = before.requirement?.find((one) => one.id === row["was"]);
    const limit = row["way"] ? number(row["limit"], `requirement[${k}].most`, limitOf(row).per) : null;
    return {
      ...was, id: row["id"] ?? "", says: row["says"] ?? "", by: row["by"] ?? "", of: words(row["of"]), figure: words(row["figure"]),
      most: row["way"] === "most" ? limit : null, least: row["way"] === "least" ? limit : null,
    };
  });
  const influence = influences.map((row) => {
    const was = before.influence?.find((one) => one.name === row["was"]);
    const how = (row["how"] ?? "tested") as (typeof HOW)[number];
    const told = { tested: was?.tested ?? null, assumed: was?.assumed ?? null, excluded: was?.excluded ?? null };
    const shown = HOW.find((name) => told[name] !== null);
    if (shown && shown !== how) told[shown] = null; // what was tested and is now assumed is told once
    return { ...was, name: row["name"] ?? "", ...told, [how]: words(row["says"]) };
  });
  const control = {
    ...before.control, golden: split(head["golden"], /,/), every: words(head["every"]), alarms: split(head["alarms"], /\n/),
    again: again.map((row) => ({ change: row["change"] ?? "", tests: split(row["tests"], /[,\s]+/) })),
  };
  const signature = signatures.map((row) => ({ role: row["role"] ?? "", name: words(row["name"]) }));
  const body = {
    ...before, title: head["title"] ?? "", customer: head["customer"] ?? "", supplier: words(head["supplier"]), undecided: words(head["undecided"]),
    scope: words(head["scope"]), undecided_are: head["undecided_are"] || "not-accepted", not_checked: split(head["not_checked"], /\n/),
    takt_s: number(head["takt_s"], "takt_s"), characteristic, requirement, influence, control, signature,
  } as Draft;
  return { body, faults };
}
