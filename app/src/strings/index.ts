/** The words of all pages, in the language of the station. A page takes its own part: `import { words } from "../../strings/en/tie"`. */
import frame from "./en/frame";

export const words = frame;
