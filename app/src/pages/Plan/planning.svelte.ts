/** What is typed of a plan, worked out by the station as it is typed, and kept there when a field is left. */
import { get, post, put, Refusal, type Answer } from "../../api/client";
import { here } from "../../api/here.svelte";
import { jobs } from "../../api/jobs.svelte";
import { live } from "../../api/live.svelte";

export type PlanTold = Answer<"/api/plan">;
export type Sheet = NonNullable<PlanTold["look"]["sheet"]>;
export type LineTold = Sheet["lines"][number];
export type FieldTold = PlanTold["fields"][number];
export interface Foreseen {
  good: boolean;
  never: boolean;
  sentences: string[];
  sizes: { name: string; nominal: string; U: string; error: string; inside: string; budget: { label: string; share: number }[]; reason: string }[];
  target: string;
  is_kept: boolean;
}

class Planning {
  told = $state<PlanTold | null>(null);
  typed = $state<Record<string, string>>({});
  faults = $state<Record<string, string>>({});
  /** The last sheet that could be worked out, and whether it is of what is typed now. */
  sheet = $state<Sheet | null>(null);
  isOld = $state(false);
  foreseen = $state<Foreseen | null>(null);
  refused = $state("");
  conflict = $state(false);
  #asked = 0;
  #keeping: Promise<void> = Promise.resolve();
  #waits: ReturnType<typeof setTimeout> | undefined;

  /** Whether anything at all is typed: else the page is empty. */
  get isEmpty(): boolean {
    return Object.values(this.typed).every((text) => text.trim() === "");
  }

  begin(): () => void {
    void this.read();
    const ends = [
      // No path at all: there were too many to be told.
      live.on<{ paths: string[] }>("drafts", ({ paths }) => {
        if (paths.length === 0 || paths.some((path) => path === "plan.toml" || path.startsWith("plan/"))) void this.read();
      }),
      live.on("back", () => void this.read()),
      live.on("missed", () => void this.read()),
    ];
    return () => ends.forEach((end) => end());
  }

  async read(): Promise<void> {
    try {
      this.#take(await get("/api/plan"));
      this.refused = "";
    } catch (error) {
      this.#say(error);
    }
  }

  type(key: string, text: string): void {
    this.typed = { ...this.typed, [key]: text };
    clearTimeout(this.#waits);
    this.#waits = setTimeout(() => void this.#look(), 60);
  }

  /** Keep what is typed, where it differs and can be used; one at a time, so that each knows what the one before left. */
  keep(): Promise<void> {
    this.#keeping = this.#keeping.then(() => this.#keepNow());
    return this.#keeping;
  }

  async #keepNow(): Promise<void> {
    if (!here.may || this.told === null || !this.#differs()) return;
    clearTimeout(this.#waits);
    await this.#look();
    if (this.isOld) return;
    const sent = { ...this.typed };
    try {
      this.#take(await put("/api/plan", { typed: sent, seen: this.told.sha }), sent);
      [this.refused, this.conflict] = ["", false];
    } catch (error) {
      this.#say(error);
    }
  }

  async foresee(): Promise<void> {
    await this.keep();
    if (this.isOld || this.conflict) return;
    try {
      this.foreseen = await jobs.end<Foreseen>(await post("/api/plan/foresee"));
      this.refused = "";
      await this.read();
    } catch (error) {
      this.#say(error);
    }
  }

  /** Give up what was typed, and show the plan as it is kept. */
  async theirs(): Promise<void> {
    this.conflict = false;
    this.typed = { ...this.told?.typed };
    await this.read();
  }

  #differs(): boolean {
    const kept = this.told?.typed ?? {};
    return Object.entries(this.typed).some(([key, text]) => text.trim() !== (kept[key] ?? ""));
  }

  /** Take the plan as the station has it. What was typed since `known` stays as it is typed. */
  #take(told: PlanTold, known: Record<string, string> = this.told?.typed ?? {}): void {
    const typed: Record<string, string> = { ...told.typed };
    let isOwn = false;
    for (const [key, text] of Object.entries(this.typed)) {
      if (text.trim() === (known[key] ?? "").trim()) continue;
      typed[key] = text;
      isOwn = true;
    }
    this.told = told;
    this.typed = typed;
    if (isOwn) {
      void this.#look();
    } else {
      this.faults = told.sha === null ? {} : told.look.faults;
      this.isOld = told.look.sheet === null;
      if (told.look.sheet !== null) this.sheet = told.look.sheet;
    }
    if (told.predicted === null || !told.predicted.is_current) this.foreseen = null;
  }

  async #look(): Promise<void> {
    const mine = ++this.#asked;
    try {
      const told = await post("/api/plan/look", { typed: this.typed } as never);
      if (mine !== this.#asked) return;
      this.faults = told.faults;
      this.refused = "";
      this.isOld = told.sheet === null;
      if (told.sheet !== null) this.sheet = told.sheet;
    } catch (error) {
      this.#say(error);
    }
  }

  #say(error: unknown): void {
    if (!(error instanceof Refusal)) throw error;
    const key = error.where.replace(/^typed\./, "");
    if (error.code === "conflict") this.conflict = true;
    else if (key in this.typed) this.faults = { ...this.faults, [key]: error.message.replace(/^typed\.\S+ /, "it ") };
    else if (error.code !== "cancelled") this.refused = error.message;
  }
}

export const planning = new Planning();
