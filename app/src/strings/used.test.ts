/** A word that no page says is deleted, and not kept for a translator to wonder at. */
import { expect, test } from "vitest";

type Tree = { [name: string]: unknown };
const WORDS = import.meta.glob<Tree>("./en/*.ts", { eager: true });
const SOURCES: string[] = Object.values(import.meta.glob(["../**/*.svelte", "../**/*.ts", "!../**/*.test.ts"], { eager: true, query: "?raw", import: "default" }));

/** Return what sources say of a page's words, as `picture.levels`: a word, or a group of which one is looked up. */
function saidOf(page: string, sources: string[]): string[] {
  const from = page === "frame" ? "strings(?:/en/frame)?" : `strings/en/${page}`;
  return sources.flatMap((source) => {
    const root = new RegExp(`import (?:(\\w+)|\\{ words(?: as (\\w+))? \\}) from "[./]*${from}"`).exec(source);
    if (root === null) return [];
    // A group that has a short name in a page is the group: const say = words.cameras;
    let text = source;
    const names = new Map([[root[1] ?? root[2] ?? "words", ""]]);
    for (const [name, group] of names)
      text = text.replace(new RegExp(`const (\\w+) = ${name}\\.([\\w.]+);`, "g"), (_, short: string, path: string) => (names.set(short, `${group}${path}.`), ""));
    return [...names].flatMap(([name, group]) => [...text.matchAll(new RegExp(`(?<![\\w.])${name}\\.(\\w+(?:\\.\\w+)*)`, "g"))].map((hit) => group + hit[1]!));
  });
}

function leaves(tree: Tree, above = ""): string[] {
  return Object.entries(tree).flatMap(([name, said]) => (typeof said === "object" && said !== null && !Array.isArray(said) ? leaves(said as Tree, `${above}${name}.`) : [above + name]));
}

function unused(tree: Tree, said: string[]): string[] {
  return leaves(tree).filter((word) => !said.some((path) => `${word}.`.startsWith(`${path}.`) || path.startsWith(`${word}.`)));
}

test("a word is found by its own name, by its group's, and by a short one of the group", () => {
  const page = 'import words from "../../strings/en/see"; const say = words.lamps; say.one; words.ways[way]; other.nobody; words.lamps.two.length';
  const tree = { lamps: { one: "1", two: "2", three: "3" }, ways: { a: "a", b: "b" }, nobody: "" };
  expect(unused(tree, saidOf("see", [page]))).toEqual(["lamps.three", "nobody"]);
});

test.each(Object.keys(WORDS))("every word of %s is said on a page", (path) => {
  const tree = (WORDS[path]!["words"] ?? WORDS[path]!["default"]) as Tree;
  expect(unused(tree, saidOf(/(\w+)\.ts$/.exec(path)![1]!, SOURCES))).toEqual([]);
});
