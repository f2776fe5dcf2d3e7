/** What was typed in the page's unit stays the same length while the page is turned to the other one. */
import { untrack } from "svelte";
import { here } from "../api/here.svelte";
import { turned } from "../marks/numbers";

/** Called while a form is made. `turn` is given how a text reads in the new unit, and puts it in place of the old one. */
export function turning(turn: (as: (text: string) => string) => void): void {
  let unit = here.unit;
  $effect(() => {
    const to = here.unit;
    untrack(() => {
      const from = unit;
      unit = to;
      if (from !== to) turn((text) => turned(text, from, to));
    });
  });
}
