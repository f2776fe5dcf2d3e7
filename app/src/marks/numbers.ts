/** Figures as they are printed: a true minus, thin groups of three from five digits on. They come rounded from the station. */

const THIN = "\u202f";

/** Return a number's digits, grouped; `digits` after the point where it is not a text that the station rounded. */
export function figure(value: number | string, digits?: number): string {
  const text = typeof value === "string" ? value : digits === undefined ? String(value) : value.toFixed(digits);
  const [, sign = "", whole = "", rest = ""] = /^([-−+]?)(\d*)(.*)$/.exec(text) ?? [];
  const grouped = whole.length > 4 ? whole.replace(/\B(?=(\d{3})+(?!\d))/g, THIN) : whole;
  return `${sign === "-" ? "−" : sign}${grouped}${rest}`;
}

/** Return the clock time of a moment, with its date where it is not of today. */
export function clock(utc: string | Date): string {
  const when = typeof utc === "string" ? new Date(utc) : utc;
  if (Number.isNaN(when.getTime())) return "not told";
  const time = when.toLocaleTimeString("en-GB");
  return when.toDateString() === new Date().toDateString() ? time : `${when.toLocaleDateString("en-CA")} ${time}`;
}

const PRINTED: Record<string, string> = { deg: "°", "1": "", um: "µm", mm2: "mm²", in2: "in²", px2: "px²" };

/** Return a unit as it is printed: `deg` is typed, ° is read. */
export const unitOf = (unit: string): string => PRINTED[unit] ?? unit;
