/** Requests to the station, typed by the routes it documents. Every refusal becomes a `Refusal`, with the field it is about. */
import type { paths } from "./schema";

export class Refusal extends Error {
  constructor(
    readonly status: number,
    readonly code: string,
    readonly says: string,
    readonly where: string,
    readonly todo: string,
  ) {
    super(todo ? `${says}; ${todo}` : says);
  }
}

/** What a page shows while the station does not answer at all. */
export const AWAY = "away";

type Verb = "get" | "post" | "put" | "delete" | "patch";
type Has<V extends Verb> = { [P in keyof paths]: paths[P] extends Record<V, { responses: object }> ? P : never }[keyof paths];
type Route<P extends keyof paths, V extends Verb> = paths[P] extends Record<V, infer O> ? O : never;
type Json<T> = T extends { content: infer C } ? (C extends { "application/json": infer J } ? J : undefined) : undefined;
type Good<O> = O extends { responses: infer R } ? Json<R[Extract<keyof R, 200 | 201 | 202>]> : never;
type Asked<O> = O extends { parameters: infer A } ? A : never;
type Path<O> = Asked<O> extends { path: infer T extends object } ? T : undefined;
type Query<O> = Asked<O> extends { query?: infer T } ? NonNullable<T> : undefined;
type Body<O> = O extends { requestBody: { content: { "application/json": infer J } } } ? J : undefined;

export type Answer<P extends Has<V>, V extends Verb = "get"> = Good<Route<P, V>>;

export interface Extra<O> {
  path?: Path<O>;
  query?: Partial<Query<O> & Record<string, unknown>>;
  signal?: AbortSignal;
}

let csrf: string | null = null;

/** What every write must carry; told by the session. */
export function knows(secret: string | null): void {
  csrf = secret;
}

export const get = <P extends Has<"get">>(path: P, extra: Extra<Route<P, "get">> = {}) =>
  asked("get", path, undefined, extra) as Promise<Good<Route<P, "get">>>;
export const post = <P extends Has<"post">>(path: P, body?: Body<Route<P, "post">> | FormData, extra: Extra<Route<P, "post">> = {}) =>
  asked("post", path, body, extra) as Promise<Good<Route<P, "post">>>;
export const put = <P extends Has<"put">>(path: P, body?: Body<Route<P, "put">> | FormData, extra: Extra<Route<P, "put">> = {}) =>
  asked("put", path, body, extra) as Promise<Good<Route<P, "put">>>;
export const del = <P extends Has<"delete">>(path: P, extra: Extra<Route<P, "delete">> = {}) =>
  asked("delete", path, undefined, extra) as Promise<Good<Route<P, "delete">>>;

/** The address of a route, its parts filled in. */
export function addressOf(path: string, parts: object = {}, query: object = {}): string {
  const filled = path.replace(/\{(\w+)\}/g, (_, name: string) => encodeURIComponent(String((parts as Record<string, unknown>)[name])));
  const words = new URLSearchParams();
  for (const [name, value] of Object.entries(query)) {
    for (const one of Array.isArray(value) ? value : [value]) if (one !== undefined && one !== null) words.append(name, String(one));
  }
  return words.size > 0 ? `${filled}?${words}` : filled;
}

async function asked(verb: Verb, path: string, body: unknown, extra: { path?: unknown; query?: object; signal?: AbortSignal }): Promise<unknown> {
  const headers: Record<string, string> = {};
  if (verb !== "get" && csrf !== null) headers["X-CSRF-Token"] = csrf;
  const isForm = body instanceof FormData;
  if (body !== undefined && !isForm) headers["Content-Type"] = "application/json";
  let answer: Response;
  try {
    answer = await fetch(addressOf(path, (extra.path as object | undefined) ?? {}, extra.query ?? {}), {
      method: verb.toUpperCase(),
      headers,
      credentials: "same-origin",
      ...(body === undefined ? {} : { body: isForm ? body : JSON.stringify(body) }),
      ...(extra.signal ? { signal: extra.signal } : {}),
    });
  } catch (error) {
    if (error instanceof DOMException && error.name === "AbortError") throw error;
    throw new Refusal(0, AWAY, "The station does not answer", "", "what you typed is still here; send it again once the station is back");
  }
  if (answer.status === 204) return undefined;
  const isJson = (answer.headers.get("content-type") ?? "").startsWith("application/json");
  const told: unknown = isJson ? await answer.json() : await answer.text();
  if (answer.ok) return told;
  const error = (told as { error?: { code?: string; says?: string; where?: string; do?: string } }).error ?? {};
  throw new Refusal(answer.status, error.code ?? "fault", error.says ?? `The station answered ${answer.status}`, error.where ?? "", error.do ?? "");
}
