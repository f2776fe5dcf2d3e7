/** What all pages know: who is here, the station, its stages, and what can be undone. */
import { get, knows, post, Refusal, type Answer } from "./client";
import { live } from "./live.svelte";

export type StageTold = Answer<"/api/stages">["stages"][number];
export type StageId = StageTold["id"];
export type StepTold = Answer<"/api/history">["done"][number];

const LATER_MS = 400;
const COUNT_MS = 60_000;

class Here {
  who = $state("");
  role = $state<"look" | "operate" | "change">("look");
  station = $state("");
  unit = $state<"mm" | "in">("mm");
  stages = $state<StageTold[]>([]);
  undo = $state<StepTold | null>(null);
  redo = $state<StepTold | null>(null);
  /** Whether somebody is logging in. */
  entering = $state(false);
  /** Why the last thing that all pages do was refused; said under the head. */
  refused = $state("");

  /** Why the station itself cannot be read now, though it was; said under the head. */
  fault = $state("");

  #asked = false;
  #later: ReturnType<typeof setTimeout> | null = null;
  #counted: number | null = null;
  #reading: Promise<void> | null = null;

  get may(): boolean {
    return this.role === "change";
  }

  async begin(): Promise<void> {
    await this.#keyed();
    await this.session();
    const told = await get("/api/station");
    this.station = told.name;
    this.unit = told.unit;
    await this.again();
    live.on("drafts", () => void this.again());
    // Another process may be there now, which knows nobody yet.
    live.on("back", () => void this.session().then(() => this.again()));
    live.on("missed", () => void this.again());
    live.on("joined", () => void this.again());
    live.on("act", () => void this.again());
    // On duty or in a fault, and how many records there are: on Duty nobody loads the page anew for a shift.
    let state = "";
    live.on<{ state: string }>("state", (told) => {
      if (told.state !== state) void this.again();
      state = told.state;
    });
    live.on("record", () => (this.#counted ??= window.setTimeout(() => void this.#count(), COUNT_MS)));
    // What a job made can be undone as soon as its page shows it.
    live.on<{ state: string }>("job", ({ state }) => void (state === "done" && this.again()));
  }

  async session(): Promise<void> {
    const told = await get("/api/session");
    this.who = told.name;
    this.role = told.role as typeof this.role;
    knows(told.csrf ?? null);
  }

  stage(id: StageId): StageTold | undefined {
    return this.stages.find((stage) => stage.id === id);
  }

  /**
   * Read what can be undone, and the stages a moment later: one reading at a time, once more for who asks meanwhile.
   * Stages cost the station some tenths of a second, and wait until what was edited is shown.
   */
  again(): Promise<void> {
    this.#asked = true;
    this.#reading ??= this.#turn().finally(() => (this.#reading = null));
    return this.#reading;
  }
  async #turn(): Promise<void> {
    while (this.#asked) {
      this.#asked = false;
      await this.#history().catch((error: unknown) => this.#say(error));
      if (this.stages.length === 0) await this.#stages();
      else this.#later ??= setTimeout(() => void this.#stages(), LATER_MS);
    }
  }
  async #count(): Promise<void> {
    this.#counted = null;
    if (!document.hidden) await this.#stages();
  }
  async #stages(): Promise<void> {
    this.#later = null; // who asks from now on is not told by this reading
    try {
      const told = await get("/api/stages");
      [this.stages, this.fault] = [told.stages, told.fault];
    } catch (error) {
      this.#say(error);
    }
  }
  async #history(): Promise<void> {
    const { done, undone } = await get("/api/history");
    this.undo = done.at(-1) ?? null;
    this.redo = undone.at(-1) ?? null;
  }

  async step(which: "undo" | "redo"): Promise<void> {
    try {
      const { paths } = await post(`/api/${which}`, { number: this[which]?.number ?? null });
      this.refused = "";
      live.tell("drafts", { paths }); // who takes an edit back sees it at once, however long the station takes to look
    } catch (error) {
      this.#say(error);
      await this.again();
    }
  }

  #say(error: unknown): void {
    if (error instanceof Refusal && error.status !== 0) this.refused = error.message;
    else if (!(error instanceof Refusal)) throw error;
  }

  /** The one-time key by which `tiepoint open` lets the person at this machine in. */
  async #keyed(): Promise<void> {
    const key = new URLSearchParams(location.hash.slice(1)).get("key");
    if (key === null) return;
    history.replaceState(null, "", location.pathname + location.search);
    try {
      await post("/api/session/key" as never, { key } as never);
    } catch (error) {
      this.#say(error); // a page that is loaded again has used it before
    }
  }
}

export const here = new Here();
