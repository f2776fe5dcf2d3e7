/** The search of records and what was chosen of it; what was typed is there again after a reload. */
import { addressOf, get, Refusal, type Answer } from "../../api/client";
import { plainNumber } from "../../marks/numbers";
import { words } from "../../strings/en/evidence";
import { fetchShown, type Shown } from "../Duty/shown";

export type Short = Answer<"/api/records">["records"][number];
export type Whole = Answer<"/api/records/{seq}">;
export type Series = Answer<"/api/evidence/series">;
export type Seen = Answer<"/api/evidence/series/{number}">;
export type Capability = Answer<"/api/evidence/capability">["studies"][number];

const KEPT = "evidence search";
const COUNT = 50;
const MOST = 500; // rows that the page holds; beyond them one asks for an earlier time

export interface Asked {
  since: string;
  until: string;
  part_id: string;
  verdict: string;
  reading: string;
  of: string;
  at_least: string;
  at_most: string;
  recipe: string;
  variant: string;
}
export const NOTHING: Asked = { since: "", until: "", part_id: "", verdict: "", reading: "", of: "", at_least: "", at_most: "", recipe: "", variant: "" };
const NUMBERS = ["at_least", "at_most"] as const;

function before(): Asked {
  try {
    return { ...NOTHING, ...(JSON.parse(sessionStorage.getItem(KEPT) ?? "{}") as Partial<Asked>) };
  } catch {
    return NOTHING;
  }
}

/** What is asked of the station: local times of the form as UTC, and nothing that was left empty. */
export function query(asked: Asked): Record<string, string> {
  const told: Record<string, string> = {};
  for (const [key, value] of Object.entries(asked)) {
    if (value.trim() === "") continue;
    if (key === "since" || key === "until") {
      const at = new Date(value);
      told[key] = Number.isNaN(at.getTime()) ? value : at.toISOString();
    } else if (NUMBERS.some((one) => one === key)) told[key] = String(plainNumber(value) ?? value.trim());
    else told[key] = value.trim();
  }
  return told;
}

export class Search {
  asked = $state<Asked>(before());
  found = $state.raw<readonly Short[] | null>(null);
  /** Whether what was found is of all records, and not of some that were asked for. */
  isOfAll = $state(true);
  next = $state<number | null>(null);
  busy = $state(false);
  refused = $state<{ where: string; says: string } | null>(null);

  chosen = $state<number | null>(null);
  whole = $state.raw<Whole | null>(null);
  shown = $state.raw<Shown | null>(null);
  index = $state(0);

  series = $state.raw<Series | null>(null);
  number = $state<number | null>(null);
  seen = $state.raw<Seen | null>(null);
  quiet = $state(false);
  capability = $state.raw<readonly Capability[]>([]);

  #asking = new AbortController();
  #choosing = new AbortController();
  #looking = new AbortController();

  /** The addresses of what is meant, as files. */
  file(ending: "csv" | "json"): string {
    return addressOf(`/api/evidence/records.${ending}`, {}, query(this.asked));
  }

  async search(): Promise<void> {
    sessionStorage.setItem(KEPT, JSON.stringify(this.asked));
    await this.#ask(null);
  }

  async older(): Promise<void> {
    if (this.next !== null) await this.#ask(this.next);
  }

  async #ask(beforeSeq: number | null): Promise<void> {
    this.#asking.abort();
    this.#asking = new AbortController();
    const { signal } = this.#asking;
    const none = NUMBERS.find((key) => this.asked[key].trim() !== "" && plainNumber(this.asked[key]) === null);
    if (none !== undefined) {
      this.refused = { where: none, says: words.notNumber(this.asked[none].trim()) };
      this.busy = false;
      return;
    }
    this.busy = true;
    try {
      const more = beforeSeq === null ? {} : { before: beforeSeq };
      const asked = query(this.asked);
      const told = await get("/api/records", { query: { ...asked, count: COUNT, ...more } as never, signal });
      this.isOfAll = Object.keys(asked).length === 0;
      const earlier = beforeSeq === null ? [] : (this.found ?? []);
      this.found = [...earlier, ...told.records].slice(-MOST);
      this.next = told.next;
      this.refused = null;
    } catch (error) {
      if (signal.aborted) return;
      if (!(error instanceof Refusal)) throw error;
      // The old result stays, and what was typed.
      this.refused = { where: whereOf(error, this.asked), says: error.message };
    } finally {
      if (!signal.aborted) this.busy = false;
    }
  }

  async choose(seq: number): Promise<void> {
    this.#choosing.abort();
    this.#choosing = new AbortController();
    const { signal } = this.#choosing;
    this.chosen = seq;
    this.index = 0;
    this.shown = null;
    try {
      this.whole = await get("/api/records/{seq}", { path: { seq }, signal });
      this.refused = null;
      await this.#show(signal);
    } catch (error) {
      if (signal.aborted) return;
      if (!(error instanceof Refusal)) throw error;
      this.whole = null;
      this.refused = { where: "record", says: error.message };
    }
  }

  async turnTo(index: number): Promise<void> {
    this.index = index;
    this.shown = null;
    await this.#show(this.#choosing.signal);
  }

  async #show(signal: AbortSignal): Promise<void> {
    const whole = this.whole;
    if (whole === null) return;
    const shown = await fetchShown(whole.seq, whole.files, this.index, signal);
    if (!signal.aborted) this.shown = shown;
  }

  async readSeries(): Promise<void> {
    const told = await get("/api/evidence/series");
    this.series = told;
    if (this.number === null || !told.series.some((one) => one.id === this.number)) this.number = told.series[0]?.id ?? null;
  }

  /** Look at a series, whole or a part of it; the old one stays until the new one is there. */
  async look(span: { first: number; last: number } | null, buckets: number): Promise<void> {
    if (this.number === null) return;
    this.#looking.abort();
    this.#looking = new AbortController();
    const { signal } = this.#looking;
    this.quiet = true;
    try {
      const other = this.seen?.series.id !== this.number;
      this.seen = await get("/api/evidence/series/{number}", { path: { number: this.number }, query: { buckets, ...(span ?? {}) } as never, signal });
      if (other) this.capability = (await get("/api/evidence/capability", { query: { reading: this.seen.series.reading }, signal })).studies;
    } catch (error) {
      if (signal.aborted) return;
      if (!(error instanceof Refusal)) throw error;
      this.refused = { where: "series", says: error.message };
    } finally {
      if (!signal.aborted) this.quiet = false;
    }
  }
}

function whereOf(error: Refusal, asked: Asked): string {
  const named = error.where.split(".").pop() ?? "";
  if (named in asked) return named;
  // A time that is none is told with the time itself.
  return error.says.includes("is no time") ? (query(asked)["since"] !== undefined && error.says.includes(query(asked)["since"]!.slice(0, 30)) ? "since" : "until") : "";
}
