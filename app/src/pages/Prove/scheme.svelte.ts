/** Whether the page is light or dark now, for drawings that the station makes in one of both. */
class Scheme {
  now = $state<"light" | "dark">("light");

  constructor() {
    const asked = matchMedia("(prefers-color-scheme: dark)");
    const look = () => {
      const set = document.documentElement.dataset["theme"];
      this.now = set === "dark" || (set !== "light" && asked.matches) ? "dark" : "light";
    };
    asked.addEventListener("change", look);
    new MutationObserver(look).observe(document.documentElement, { attributes: true, attributeFilter: ["data-theme"] });
    look();
  }
}

export const scheme = new Scheme();
