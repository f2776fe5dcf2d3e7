/** A key of a document in words: `true_position` is typed, "true position" is read. */
export const spoken = (key: string): string => key.replaceAll("_", " ");
