import { expect, test } from "vitest";
import { asSentence, byClock, inUnit, plainNumber, turned, typedLength } from "./numbers";

// An inch is 25.4 mm exactly: the international yard and pound agreement of 1959.
test("25.4 mm are 1 in, exactly, and back; areas go by the square", () => {
  expect(inUnit(25.4, "mm", "in")).toBe(1);
  expect(inUnit(1, "in", "mm")).toBe(25.4);
  expect(inUnit(645.16, "mm", "in", 2)).toBe(1);
  expect(inUnit(4.5, "mm", "mm")).toBe(4.5);
});

test("what is typed is a length in the page's unit, or in its own; a column's name stays", () => {
  expect(typedLength("1", "in", "mm")).toBe(25.4);
  expect(typedLength("1,5", "mm", "mm")).toBe(1.5);
  expect(typedLength("25.4 mm", "in", "in")).toBe(1);
  expect(typedLength("0.5in", "mm", "mm")).toBe(12.7);
  expect(typedLength("\u22121", "in", "mm")).toBe(-25.4);
  expect(typedLength("bore_mm", "in", "mm")).toBe("bore_mm");
  expect(typedLength(" ", "in", "mm")).toBe(null);
});

test("a typed length is the same length once the page is turned to another unit, and comes back as it was", () => {
  expect(turned("25,4", "mm", "in")).toBe("1");
  for (const mm of ["314.51", "413.8", "0.02", "1250.125"]) expect(turned(turned(mm, "mm", "in"), "in", "mm")).toBe(mm);
  expect(turned("−3", "in", "mm")).toBe("-76.2");
  for (const stays of ["", "three", "12.5 mm", "0.5in"]) expect(turned(stays, "mm", "in")).toBe(stays);
});

test("a moment in a sentence of the station is read by the clock on the wall, and what is none stays", () => {
  const utc = "2026-01-05T06:00:07.250Z";
  const here = new Date(utc);
  expect(byClock(`the last picture came at ${utc}; look`)).toBe(`the last picture came at ${here.toLocaleDateString("en-CA")} ${here.toLocaleTimeString("en-GB")}; look`);
  const now = new Date();
  expect(byClock(`since ${now.toISOString()}.`)).toBe(`since ${now.toLocaleTimeString("en-GB")}.`);
  for (const stays of ["", "lot 2026-01-05", "2026-01-05T06:00Z?"]) expect(byClock(stays)).toBe(stays);
});

test("a comma is a point, a true minus is a minus, and what no ruler shows is no number", () => {
  expect([" 4,5 ", "−4.5", "-.5", "5.", "1e-3"].map(plainNumber)).toEqual([4.5, -4.5, -0.5, 5, 0.001]);
  for (const none of ["", " ", "4 ms", "4,5,6", "4.4\"", "0x10", "0b1", "Infinity", "NaN", "1e400", "\u202e4.5", "٤"]) expect(plainNumber(none)).toBeNull();
});

test("what the station says stands alone as a sentence, and one that does stays", () => {
  expect(asSentence("it was stopped")).toBe("It was stopped.");
  for (const stays of ["", "It was stopped.", "Is it there?"]) expect(asSentence(stays)).toBe(stays);
});
