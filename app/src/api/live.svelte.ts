/** One stream of events for all of a page, which connects again by itself and misses nothing. */

export type Heard = (told: never) => void;

const QUIET_MS = 25_000; // the station says something at least every 10 s
const JOINED_MS = 1000; // by then the station looks for edits on this page's behalf; what came before is told by nobody
const KINDS = ["here", "state", "reset", "record", "archived", "act", "duty", "run", "job", "drafts", "missed"] as const;

class Live {
  /** `joined`: connected; `waiting`: the first time; `away`: it was there, and is not now. */
  link = $state<"waiting" | "joined" | "away">("waiting");
  /** When the station said anything last. */
  heard = $state<Date | null>(null);

  #source: EventSource | null = null;
  #listeners = new Map<string, Set<Heard>>();
  #bound = new Set<string>();
  #watch = 0;

  /** Call `heard` with each event of a kind; returns what ends that. */
  on<T>(kind: string, heard: (told: T) => void): () => void {
    const them = this.#listeners.get(kind) ?? new Set<Heard>();
    this.#listeners.set(kind, them.add(heard as Heard));
    if (this.#source === null) this.#open();
    else this.#bind(kind);
    return () => them.delete(heard as Heard);
  }

  #open(): void {
    const source = new EventSource("/api/events");
    this.#source = source;
    this.#bound.clear();
    source.onopen = () => {
      const again = this.link === "away";
      this.#word();
      this.link = "joined";
      if (again) this.tell("back", {});
      else setTimeout(() => this.tell("joined", {}), JOINED_MS);
    };
    source.onerror = () => {
      if (this.link === "joined") this.link = "away";
      // A browser gives up where the answer is no stream of events: begin anew.
      if (source.readyState === EventSource.CLOSED) setTimeout(() => this.#source === source && this.#open(), 2000);
    };
    for (const kind of new Set([...KINDS, ...this.#listeners.keys()])) this.#bind(kind);
    clearInterval(this.#watch);
    this.#watch = window.setInterval(() => {
      if (this.link === "joined" && this.heard !== null && Date.now() - this.heard.getTime() > QUIET_MS) this.link = "away";
    }, 5000);
  }

  #bind(kind: string): void {
    if (this.#bound.has(kind) || this.#source === null) return;
    this.#bound.add(kind);
    this.#source.addEventListener(kind, (event) => {
      this.#word();
      this.link = "joined";
      this.tell(kind, JSON.parse((event as MessageEvent<string>).data));
    });
  }

  #word(): void {
    const now = new Date();
    if (this.heard === null || now.getTime() - this.heard.getTime() > 1000) this.heard = now; // no more often than is read
  }

  /** Tell the pages of this window: what the station said, or what it will say to all of them a moment later. */
  tell(kind: string, told: unknown): void {
    for (const heard of this.#listeners.get(kind) ?? []) (heard as (told: unknown) => void)(told);
  }
}

export const live = new Live();
