/** What the page Prove knows: what is agreed and shown, the study or sheet that is open, and where it stands in the address. */
import { get, Refusal, type Answer } from "../../api/client";
import { here } from "../../api/here.svelte";

export type Told = Answer<"/api/prove">;
export type Study = Answer<"/api/prove/studies/{seq}">;
export type Sheet = Answer<"/api/prove/sheets/{id}">;
export type ToDo = Told["to_do"][number];
export type View = "study" | "order" | "design" | "sheet" | "trial" | "limits" | "report";

/** Where a robot's tie is touched: on the page that ties it. */
export const TOUCH = "/tie?way=robot";
const VIEWS: View[] = ["study", "order", "design", "sheet", "trial", "limits", "report"];

class Prove {
  told = $state<Told | null>(null);
  next = $state<ToDo[]>([]);
  study = $state<Study | null>(null);
  sheet = $state<Sheet | null>(null);
  view = $state<View | null>(null);
  /** Which study, sheet, or reading the view is of. */
  of = $state("");
  /** Why the last act was refused, and why what the page shows could not be read: reading anew takes back its own alone. */
  refused = $state("");
  unread = $state("");

  async begin(): Promise<void> {
    await this.read();
    await this.fromAddress();
    void this.readNext();
  }

  /** Read what the page shows; what is open stays open. */
  async read(): Promise<void> {
    await this.hear(async () => {
      this.told = await get("/api/prove");
      if (this.view === "sheet" && this.sheet !== null) this.sheet = await get("/api/prove/sheets/{id}", { path: { id: this.sheet.id } });
      if (this.view === "study" && this.study !== null) this.study = await get("/api/prove/studies/{seq}", { path: { seq: this.study.seq } });
    });
  }

  async readNext(): Promise<void> {
    await this.hear(async () => {
      this.next = await get("/api/prove/next");
    });
  }

  /** Do something, and say under the head why it was refused. */
  say(work: () => Promise<void>): Promise<boolean> {
    return this.#tried("refused", work);
  }

  /** Read something, and say under the head why it could not be read. */
  hear(work: () => Promise<void>): Promise<boolean> {
    return this.#tried("unread", work);
  }

  async #tried(told: "refused" | "unread", work: () => Promise<void>): Promise<boolean> {
    try {
      await work();
      this[told] = "";
      return true;
    } catch (error) {
      if (!(error instanceof Refusal)) throw error;
      if (error.status !== 0) this[told] = error.message;
      return false;
    }
  }

  /** Open a view; the address keeps it, so that a page that is loaded again shows the same. */
  async open(view: View, of = ""): Promise<void> {
    this.view = view;
    this.of = of;
    const hash = of ? `#${view}=${encodeURIComponent(of)}` : `#${view}`;
    if (location.hash !== hash) history.replaceState(null, "", `${location.pathname}${hash}`);
    await this.say(async () => {
      if (view === "study") this.study = await get("/api/prove/studies/{seq}", { path: { seq: Number(of) } });
      if (view === "sheet") this.sheet = await get("/api/prove/sheets/{id}", { path: { id: of } });
    });
  }

  async fromAddress(): Promise<void> {
    const [view, of = ""] = location.hash.slice(1).split("=");
    const told = this.told;
    if (VIEWS.includes(view as View)) return this.open(view as View, decodeURIComponent(of));
    const sheet = told?.sheets.find((one) => one.taken > 0 && one.taken < one.runs);
    if (sheet) return this.open("sheet", sheet.id);
    const newest = told?.studies.find((one) => one.fault === null && one.kind !== "design");
    if (newest) return this.open("study", String(newest.seq));
    if (told?.order.there) return this.open("order");
  }

  /** Follow what is to be done to where it is done. */
  async follow(todo: ToDo): Promise<void> {
    if (todo.by === "fill") return this.open("sheet", todo.at);
    if (todo.by === "agree") return this.open("order");
    if (todo.by === "trial" || todo.by === "report") return this.open(todo.by);
    if (todo.by === "limits") return this.open("limits", todo.of ?? "");
    if (todo.by === "touch") return location.assign(TOUCH);
    if (todo.by === "design" || todo.by === "study") return this.open("design", `${todo.at},${todo.of ?? ""}`);
  }

  get may(): boolean {
    return here.may;
  }
}

export const prove = new Prove();
