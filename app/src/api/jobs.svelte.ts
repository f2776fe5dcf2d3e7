/** Long work of the station: begun here or in another window, followed by its events, cancelled, and found again after a reload. */
import { del, get, Refusal, type Answer } from "./client";
import { live } from "./live.svelte";

export type JobTold = Answer<"/api/jobs/{id}">;

class Jobs {
  all = $state<Record<string, JobTold>>({});
  #waiting = new Map<string, Array<(job: JobTold) => void>>();
  #begun = false;

  /** Follow all jobs; called once by the frame. */
  async begin(): Promise<void> {
    if (this.#begun) return;
    this.#begun = true;
    live.on<JobTold>("job", (job) => this.#heard(job));
    live.on("back", () => void this.#read());
    live.on("missed", () => void this.#read());
    await this.#read();
  }

  /** The jobs of a page that are not over. */
  of(page: string): JobTold[] {
    return Object.values(this.all).filter((job) => job.page === page && !isOver(job));
  }

  /** Wait for the end of a job that was begun; returns its result, and refuses with its fault. */
  async end<T>(begun: JobTold): Promise<T> {
    this.#heard(begun);
    const job = isOver(begun) ? begun : await new Promise<JobTold>((resolve) => {
      this.#waiting.set(begun.id, [...(this.#waiting.get(begun.id) ?? []), resolve]);
      void this.#ask(begun.id); // its end may have been told before anybody listened
    });
    if (job.state === "done") return job.result as T;
    if (job.fault) throw new Refusal(422, job.fault.code, job.fault.says, job.fault.where, job.fault.do);
    throw new Refusal(422, job.state, `${job.says}: cancelled`, "", "");
  }

  async cancel(id: string): Promise<void> {
    await del("/api/jobs/{id}", { path: { id } });
  }

  async #read(): Promise<void> {
    const told = await get("/api/jobs");
    for (const job of told.jobs) this.#heard(job);
  }

  async #ask(id: string): Promise<void> {
    this.#heard(await get("/api/jobs/{id}", { path: { id } }));
  }

  #heard(job: JobTold): void {
    const known = this.all[job.id];
    if (known !== undefined && isOver(known) && !isOver(job)) return; // told late, or asked for before it ended
    this.all[job.id] = job;
    if (!isOver(job)) return;
    const waiting = this.#waiting.get(job.id);
    if (waiting === undefined) return;
    // What comes as an event is short; the result is asked for.
    this.#waiting.delete(job.id);
    if (job.state === "done" && job.result == null) {
      void get("/api/jobs/{id}", { path: { id: job.id } }).then((whole) => waiting.forEach((one) => one(whole)));
    } else waiting.forEach((one) => one(job));
  }
}

export const isOver = (job: JobTold): boolean => job.state === "done" || job.state === "failed" || job.state === "cancelled";

export const jobs = new Jobs();
