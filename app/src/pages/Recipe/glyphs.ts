/** The line drawings of the step card, 16 px; a kind of a guest has the last. */
export const GLYPHS: Record<string, string> = {
  find: '<path d="M2 4.5L11.5 2L14 11L4.5 13.5Z" stroke-dasharray="2.4 1.6"/><path d="M8 6v4M6 8h4"/>',
  edge: '<path d="M1 12.5H5.5C9 12.5 7.5 3.5 11 3.5H15"/><path d="M8.2 5.5v5" stroke="var(--hand)"/>',
  line: '<path d="M1.5 13L14.5 3"/><circle cx="4.5" cy="10.7" r="1.3" fill="var(--ink)" stroke="none"/><circle cx="11.5" cy="5.3" r="1.3" fill="var(--ink)" stroke="none"/>',
  circle: '<path d="M10.5 5.8A4.6 4.6 0 0 1 5.2 13M3.5 11.2A4.6 4.6 0 0 1 8.6 4.4M10 5.4L12.4 2.6H15.4"/>',
  arc: '<path d="M2 12A8 8 0 0 1 13 4"/><path d="M.5 10.8l3 2.2M12 2.3l1.8 3.2"/>',
  point: '<circle cx="5" cy="11" r="1.9" fill="var(--ink)" stroke="none"/><path d="M6.8 9.2L11 5h4"/>',
  width: '<path d="M1 4.5h14M1 11.5h14M8 0v4M6.6 2.4L8 4.2l1.4-1.8M8 16v-4M6.6 13.6L8 11.8l1.4 1.8"/>',
  distance: '<path d="M1.5 3v10M14.5 3v10M2 8h12M4.6 5.8L2 8l2.6 2.2M11.4 5.8L14 8l-2.6 2.2"/>',
  true_position: '<circle cx="8" cy="8" r="4.6"/><path d="M8 1v14M1 8h14"/>',
  angle: '<path d="M1.5 13.5H15M1.5 13.5L12 2.5M9.5 13.5A8 8 0 0 0 7 7.8"/>',
  patches: '<path d="M2 6c0-3 4-4 5-2s-1 4-3 4-2-1-2-2zM9 11c0-2 4-3 5-1s-1 4-3 4-2-1-2-3z" fill="var(--ink)"/><path d="M11 3h2" stroke-width="2"/>',
  bead: '<path d="M1 10c3-7 5-7 7-3s4 3 7-3M1 14c3-7 5-7 7-3s4 3 7-3"/>',
  colour: '<path d="M2 2h12v12H2zM2 14L14 2"/><path d="M8.5 11.5h.1M11.5 11.5h.1M11.5 8.5h.1M6 13h.1M13 6h.1" stroke-width="2" stroke-linecap="round"/>',
  compare: '<path d="M1.5 1.5h9v9h-9z" stroke-dasharray="2.2 1.6"/><path d="M5.5 5.5h9v9h-9z"/>',
  code: '<path d="M2.5 2v11.5H14" stroke-width="2.2"/><path d="M6 9.5h2M10 9.5h2M6 6h2M8.5 6h2M12 6h1.5M6 2.8h2M11 2.8h2" stroke-width="2"/>',
  text: '<path d="M3 11.5L7.6 2h.8L13 11.5M4.8 8.2h6.4"/><path d="M1 14h14" stroke="var(--hand)"/>',
};
export const OTHER = '<path d="M3 3h10v10H3z"/><path d="M6 8h4M8 6v4"/>';
