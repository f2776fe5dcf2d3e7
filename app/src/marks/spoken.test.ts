import { describe, expect, it } from "vitest";
import { spoken } from "./spoken";

const pages = import.meta.glob("../pages/**/*.svelte", { query: "?raw", import: "default", eager: true }) as Record<string, string>;

describe("keys of documents", () => {
  it("are read as words", () => {
    expect(spoken("true_position")).toBe("true position");
    expect(spoken("diameter")).toBe("diameter");
  });
  it("stand on no page as they are typed", () => {
    expect(Object.keys(pages).length).toBeGreaterThan(40);
    const bare = Object.entries(pages).filter(([, text]) => /[>}]\{(\w+\.)?(quantity|kind\.kind|drafted\.kind|quantity\.name)\}/.test(text));
    expect(bare.map(([path]) => path)).toEqual([]);
  });
});
