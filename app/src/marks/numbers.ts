/** Figures as they are printed: a true minus, thin groups of three from five digits on. They come rounded from the station. */

const THIN = "\u202f";

/** Return a number's digits, grouped; `digits` after the point where it is not a text that the station rounded. */
export function figure(value: number | string, digits?: number): string {
  const text = typeof value === "string" ? value : digits === undefined ? String(value) : value.toFixed(digits);
  const [, sign = "", whole = "", rest = ""] = /^([-−+]?)(\d*)(.*)$/.exec(text) ?? [];
  const grouped = whole.length > 4 ? whole.replace(/\B(?=(\d{3})+(?!\d))/g, THIN) : whole;
  return `${sign === "-" ? "−" : sign}${grouped}${rest}`;
}

/** Millimetres in a unit. An inch is 25.4 mm exactly, by the international yard and pound agreement of 1959. */
export const MM_PER = { mm: 1, in: 25.4 } as const;
export type LengthUnit = keyof typeof MM_PER;

/** Return a length, or with `power` 2 an area, of one unit in another; to ten figures, so that what was typed comes back. */
export function inUnit(value: number, from: LengthUnit, to: LengthUnit, power = 1, figures = 10): number {
  return from === to ? value : Number(((value * MM_PER[from] ** power) / MM_PER[to] ** power).toPrecision(figures));
}

const DECIMAL = /^[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?$/i;

/** Return the number that was typed, with a decimal point or comma; null where it is none, as 0x10 or 1e400 is, or nothing. */
export function plainNumber(text: string): number | null {
  const plain = text.trim().replace(",", ".").replaceAll("−", "-");
  return DECIMAL.test(plain) && Number.isFinite(Number(plain)) ? Number(plain) : null;
}

/** Return what was typed: a number, with a decimal point or comma, else the text as it is (the name of a column), or null. */
export function typedNumber(text: string): number | string | null {
  return text.trim() === "" ? null : (plainNumber(text) ?? text.trim());
}

/** Return a typed length in the unit `to`: typed in the unit `shown`, or with a unit of its own, as in 0.5in. */
export function typedLength(text: string, shown: LengthUnit, to: LengthUnit, power = 1): number | string | null {
  const own = power === 1 ? /^(.*\d)\s*(mm|in)$/.exec(text.trim()) : null;
  const value = typedNumber(own ? own[1]! : text);
  return typeof value === "number" ? inUnit(value, own ? (own[2] as LengthUnit) : shown, to, power) : own ? text.trim() : value;
}

/** Return a typed length as it reads once the page is turned to another unit: with a unit of its own it stays, and so does what is no number. */
export function turned(text: string, from: LengthUnit, to: LengthUnit): string {
  const value = from === to ? null : typedNumber(text);
  // Fewer figures on the way back, so that what was typed in mm comes back.
  return typeof value === "number" ? String(inUnit(value, from, to, 1, to === "in" ? 10 : 8)) : text;
}

/** Return the clock time of a moment, with its date where it is not of today. */
export function clock(utc: string | Date): string {
  const when = typeof utc === "string" ? new Date(utc) : utc;
  if (Number.isNaN(when.getTime())) return "not told";
  const time = when.toLocaleTimeString("en-GB");
  return when.toDateString() === new Date().toDateString() ? time : `${when.toLocaleDateString("en-CA")} ${time}`;
}

const MOMENT = /\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?Z/g;

/** Return what the station says as a sentence that stands alone. */
export const asSentence = (says: string): string => (says === "" ? "" : `${says.charAt(0).toUpperCase()}${says.slice(1)}${/[.!?]$/.test(says) ? "" : "."}`);

/** Return a sentence of the station with its moments, which it tells as UTC, by the clock of whoever reads. */
export const byClock = (says: string): string => says.replace(MOMENT, (utc) => clock(utc));

const PRINTED: Record<string, string> = { deg: "°", "1": "", um: "µm", mm2: "mm²", in2: "in²", px2: "px²" };

/** Return a unit as it is printed: `deg` is typed, ° is read. */
export const unitOf = (unit: string): string => PRINTED[unit] ?? unit;
