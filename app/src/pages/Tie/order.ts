/** Return pictures in the order of their names, as a person counts: the tenth after the ninth, and not after the first. */
export const inOrder = <T extends { name: string }>(them: readonly T[]): T[] => [...them].sort((a, b) => a.name.localeCompare(b.name, "en", { numeric: true }));
