/** What the page knows of the floor: one answer of the station, at most once a second, and the last picture. Every list is bounded by the station. */
import { get, Refusal, type Answer } from "../../api/client";
import { live } from "../../api/live.svelte";
import { byClock } from "../../marks/numbers";
import { aheadBy, mayBeSaidIn, sinceOf } from "./lines";
import { fetchShown, type File, type Shown } from "./shown";
import { words } from "../../strings/en/duty";

export type Now = Answer<"/api/duty/now">;
export type Reading = Now["readings"][number];
export type StateTold = Answer<"/api/state">;
export type Alarm = Answer<"/api/alarms">["alarms"][number];
export type Short = NonNullable<Now["last"]>;
export type Period = "today" | "duty" | "hour";

const EACH_MS = 1000; // a person reads no faster
const EACH_OF_MANY_MS = 1300; // where more than one part comes meanwhile, nobody reads each of them
const IDLE_MS = 10_000; // without any event: the rate of a line that stands
const SAY_MS = 10_000;
const LATE_MS = 400;

/** A reading of a record that is held, as the table shows it. */
export interface Held {
  readonly record: Short;
  readonly readings: Reading[];
}

export class Floor {
  now = $state.raw<Now | null>(null);
  station = $state.raw<StateTold | null>(null);
  alarms = $state.raw<readonly Alarm[]>([]);
  shown = $state.raw<Shown | null>(null);
  held = $state.raw<Held | null>(null);
  period = $state<Period>("today");
  index = $state(0);
  /** What a screen reader is told, at most every 10 s. */
  said = $state("");
  refused = $state("");

  #due = false;
  #busy = false;
  #ending = new AbortController();
  #picture = new AbortController();
  #fetching = false;
  #newest: number | null = null;
  #ends: Array<() => void> = [];
  /** By how much the station's clock is ahead of the one here, in ms. */
  #ahead = 0;
  #lastState = "";
  #lastAlarms = "";
  #saidAt = -Infinity;
  #saying = 0;
  #idle = 0;
  #alarmsDue = true;

  begin(): void {
    const soon = () => this.soon();
    this.#ends = [
      live.on<StateTold>("state", (told) => this.#state(told)),
      live.on("record", soon),
      live.on("archived", soon),
      live.on("act", soon),
      live.on<{ body: { event?: string } }>("duty", (entry) => {
        if (entry.body.event === "alarm") this.#alarmsDue = true;
        this.soon();
      }),
      live.on("back", () => {
        this.#alarmsDue = true;
        this.soon();
      }),
      live.on("reset", () => location.reload()),
    ];
    document.addEventListener("visibilitychange", soon);
    this.#ends.push(() => document.removeEventListener("visibilitychange", soon));
    this.#idle = window.setInterval(soon, IDLE_MS);
    this.soon();
  }

  end(): void {
    for (const end of this.#ends) end();
    this.#ending.abort();
    this.#picture.abort();
    clearInterval(this.#idle);
    clearTimeout(this.#saying);
  }

  /** Ask the station again, once it is due. Nobody looks at a page that is hidden. */
  soon(): void {
    this.#due = true;
    if (!this.#busy && !document.hidden && !this.#ending.signal.aborted) void this.#turn();
  }

  async #turn(): Promise<void> {
    this.#busy = true;
    this.#due = false;
    try {
      await this.#look();
      this.refused = "";
    } catch (error) {
      if (!(error instanceof Refusal) && !this.#ending.signal.aborted) throw error;
      if (error instanceof Refusal && error.status !== 0) this.refused = error.message;
    } finally {
      setTimeout(() => {
        this.#busy = false;
        if (this.#due) this.soon();
      }, (this.now?.per_minute ?? 0) > 60 ? EACH_OF_MANY_MS : EACH_MS);
    }
  }

  async #look(): Promise<void> {
    const { signal } = this.#ending;
    const since = this.#since();
    const now = await get("/api/duty/now", { query: since === null ? {} : { since }, signal });
    if (this.station === null) this.#state(await get("/api/state", { signal }));
    if (this.#alarmsDue) await this.#readAlarms(signal);
    this.#newest = now.last?.seq ?? null;
    // What is told and what is shown change in one frame. A picture that is late follows; until it is there no other is
    // asked for, or a slow station would show none.
    const shown = this.held === null && now.last !== null && !this.#fetching ? this.#show(now.last.seq, now.files) : null;
    if (this.now !== null && shown !== null) await Promise.race([shown, new Promise((soon) => setTimeout(soon, LATE_MS))]);
    this.now = now;
  }

  async #readAlarms(signal: AbortSignal): Promise<void> {
    const { alarms } = await get("/api/alarms", { signal });
    this.#alarmsDue = false;
    const names = alarms.map((one) => one.name).join("\n");
    if (names !== this.#lastAlarms) {
      const fresh = alarms.find((one) => !this.#lastAlarms.split("\n").includes(one.name));
      if (fresh) this.#say(words.says.alarm(byClock(fresh.says)));
      else if (this.#lastAlarms) this.#say(words.says.over);
      this.#lastAlarms = names;
    }
    this.alarms = alarms;
  }

  /** The same record is fetched again only for a picture that was not kept yet. */
  async #show(seq: number, files: readonly File[]): Promise<void> {
    const had = this.shown;
    this.#picture.abort(); // also where this one is at hand: what was on its way would take its place
    this.#fetching = false;
    if (had !== null && had.seq === seq && (had.source !== null || files.length === 0)) return;
    this.#picture = new AbortController();
    const { signal } = this.#picture;
    this.#fetching = true;
    try {
      const shown = await fetchShown(seq, files, this.index, signal);
      // While the newest part's picture is being kept, the sheet shows that there is none yet only if that lasts.
      if (signal.aborted) return;
      this.shown = shown;
      had?.source?.overview?.close(); // a collector that comes late would let them pile up
    } catch (error) {
      if (!signal.aborted) throw error;
    } finally {
      if (!signal.aborted) {
        this.#fetching = false;
        if (this.held === null && this.#newest !== seq) this.soon();
      }
    }
  }

  /** Hold a record on the sheet, or go on with the last part. */
  async hold(record: Short | null): Promise<void> {
    if (record === null) {
      this.held = null;
      this.shown = null;
      this.soon();
      return;
    }
    try {
      const told = await get("/api/records/{seq}", { path: { seq: record.seq } });
      const readings = (told.record as unknown as { readings: RawReading[] }).readings.map((raw, k) => asReading(raw, told.readings[k]!, this.now));
      this.held = { record, readings };
      await this.#show(record.seq, told.files);
    } catch (error) {
      if (!(error instanceof Refusal)) throw error;
      this.refused = error.message;
    }
  }

  /** Show another picture of the same shot. */
  async turnTo(index: number): Promise<void> {
    this.index = index;
    const seq = this.shown?.seq;
    this.shown = null;
    if (seq === undefined) return;
    const { files } = await get("/api/records/{seq}", { path: { seq } });
    await this.#show(seq, files);
  }

  choose(period: Period): void {
    this.period = period;
    this.soon();
  }

  #since(): string | null {
    if (this.period === "duty") return this.station?.since_utc ?? null;
    return sinceOf(this.period, Date.now() + this.#ahead);
  }

  #state(told: StateTold): void {
    const word = `${told.state} ${told.fault}`;
    if (this.#lastState !== "" && word !== this.#lastState) this.#say(words.says.state(told.state, byClock(told.says)));
    this.#lastState = word;
    if (told.fresh) this.#ahead = aheadBy(told.written_utc, Date.now());
    this.station = told;
    this.soon();
  }

  #say(text: string): void {
    clearTimeout(this.#saying);
    this.#saying = window.setTimeout(() => {
      this.#saidAt = Date.now();
      this.said = text;
    }, mayBeSaidIn(this.#saidAt, Date.now(), SAY_MS));
  }
}

interface RawReading {
  id: string; name: string; quantity: string; kind: string; step: string; unit: string;
  value: number | null; U95: number | null; verdict: Reading["verdict"];
  limits: { lower: number | null; upper: number | null } | null;
}

function asReading(raw: RawReading, written: { value: string; pm: string; limits: string }, now: Now | null): Reading {
  const { id, name, quantity, kind, step, unit, value, U95, verdict } = raw;
  const trend = now?.readings.find((one) => one.id === id)?.trend ?? [];
  return {
    id, name, quantity, kind, step, unit, value, U95, verdict, trend, why: "",
    written: written.value, pm: written.pm, limits: written.limits,
    lower: raw.limits?.lower ?? null, upper: raw.limits?.upper ?? null,
  };
}
