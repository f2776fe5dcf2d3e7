/** The live picture of a place: asked for again and again while the page is seen, the newest alone. */
import { get, Refusal, type Answer } from "../../api/client";

export type LiveTold = Answer<"/api/see/live">;
export type LookTold = NonNullable<LiveTold["look"]>;

const WAIT_S = 5;
const AGAIN_MS = 1500;

export class Eye {
  source = $state("");
  live = $state.raw<LiveTold | null>(null);
  look = $state.raw<LookTold | null>(null);
  /** The addresses of the picture that is shown and of the one before, which stays until the next has come. */
  frames = $state.raw<string[]>([]);
  refused = $state("");
  #asking: AbortController | null = null;
  #ended = true;

  /** Look at a place until `end`; a place that is looked at already goes on. */
  begin(source: string): void {
    if (source === this.source && !this.#ended) return;
    this.end();
    if (source !== this.source) this.leave();
    this.source = source;
    this.#ended = false;
    this.#asking = new AbortController();
    void this.#go(source, this.#asking);
  }

  end(): void {
    this.#ended = true;
    this.#asking?.abort();
    this.#asking = null;
  }

  /** Look at no place any more: nothing of it stays in sight under another's name. */
  leave(): void {
    this.end();
    this.source = "";
    this.look = null;
    this.live = null;
    this.frames = [];
  }

  async #go(source: string, asking: AbortController): Promise<void> {
    let after = 0;
    while (!asking.signal.aborted) {
      try {
        const told = await get("/api/see/live", { query: { source, after, wait_s: WAIT_S }, signal: asking.signal });
        this.refused = "";
        // Of a server that began anew, numbers begin anew too.
        if (told.number < after) after = 0;
        if (told.look !== null) {
          await shown(told.look.picture);
          if (asking.signal.aborted) return;
          after = told.number;
          this.look = told.look;
          this.frames = [...this.frames.slice(-1), told.look.picture];
        }
        this.live = told;
        if (told.link === "away") await pause(AGAIN_MS, asking.signal);
      } catch (error) {
        if (asking.signal.aborted) return;
        if (!(error instanceof Refusal)) throw error;
        this.refused = error.message;
        await pause(AGAIN_MS, asking.signal);
      }
    }
  }
}

/** Wait until a picture is there, so that none is drawn half. */
async function shown(address: string): Promise<void> {
  const image = new Image();
  image.src = address;
  await image.decode().catch(() => undefined);
}

const pause = (ms: number, signal: AbortSignal): Promise<void> =>
  new Promise((done) => {
    const timer = setTimeout(done, ms);
    signal.addEventListener("abort", () => (clearTimeout(timer), done()), { once: true });
  });
