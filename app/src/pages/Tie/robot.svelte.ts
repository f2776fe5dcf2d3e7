/** Where the gripper is to go: asked of the station while it is dragged, one question at a time, the last one always. */
import { post, Refusal } from "../../api/client";
import { here } from "../../api/here.svelte";
import type { components } from "../../api/schema";
import type { Point } from "../../picture/view";
import { tying } from "./tying.svelte";

type Asked = components["schemas"]["AskRobot"];
export type RobotTold = components["schemas"]["RobotTold"];

class Robot {
  told = $state.raw<RobotTold | null>(null);
  at = $state.raw<Point | null>(null);
  ahead = $state.raw<Point | null>(null);
  name = $state("");
  says = $state<Record<string, string>>({});
  #of = "";
  #busy = false;
  #next: Partial<Asked> | null = null;

  get ties(): string[] {
    return tying.solved.filter((one) => one.from_frame === "plane" && one.to_frame === "robot").map((one) => one.name);
  }

  /** What can be proved by touching: ties by pairs, and hand-eyes seen from above the robot. */
  get touched(): string[] {
    return [...this.ties, ...tying.ties.filter((one) => one.kind === "robot" && !one.fault).map((one) => one.name)];
  }
  /** Ask again for where the gripper is, as after the envelope was typed. */
  async again(): Promise<void> {
    await this.ask(this.at ? { at: [this.at.x, this.at.y], towards: this.ahead && [this.ahead.x, this.ahead.y] } : {});
  }

  /** Ask for a place, or for the axes alone. */
  async ask(body: Partial<Asked> = {}): Promise<void> {
    if (!tying.typed.chosen || !this.name) return;
    if (this.#busy) {
      this.#next = body;
      return;
    }
    this.#busy = true;
    const of = `${tying.typed.chosen} ${this.name}`;
    if (of !== this.#of) this.told = null;
    this.#of = of;
    try {
      const envelope = { ...tying.typed.envelope };
      const told = await post("/api/tie/robot", { plane: tying.typed.chosen, robot: this.name, x: "", y: "", turn: "", unit: here.unit, envelope, ...body });
      this.told = told;
      this.says = told.says ? { place: told.says } : {};
      if (this.#next === null && told.at) {
        this.at = { x: told.at[0], y: told.at[1] };
        this.ahead = told.ahead ? { x: told.ahead[0], y: told.ahead[1] } : null;
      }
    } catch (error) {
      if (!(error instanceof Refusal)) throw error;
      // The gripper's cross is elsewhere by now: the numbers of where it was are nobody's.
      if (body.at && this.told) this.told = { ...this.told, x: null, y: null, turn: null, beyond: "" };
      const isField = ["x", "y", "turn"].includes(error.where) || error.where.startsWith("envelope.");
      this.says = { [isField ? error.where : "place"]: error.message };
    } finally {
      this.#busy = false;
      const next = this.#next;
      this.#next = null;
      if (next !== null) void this.ask(next);
    }
  }
  /** The gripper goes to a pixel, turned as it is. */
  go(p: Point): void {
    const by = this.at && this.ahead ? { x: this.ahead.x - this.at.x, y: this.ahead.y - this.at.y } : null;
    this.at = p;
    this.ahead = by && { x: p.x + by.x, y: p.y + by.y };
    void this.ask({ at: [p.x, p.y], towards: this.ahead && [this.ahead.x, this.ahead.y] });
  }
  turn(towards: Point): void {
    if (this.at === null) return;
    this.ahead = towards;
    void this.ask({ at: [this.at.x, this.at.y], towards: [towards.x, towards.y] });
  }
}

export const robot = new Robot();
