import { svelte } from "@sveltejs/vite-plugin-svelte";
import { defineConfig } from "vitest/config";

// Everything comes from the station itself: no file is written into another (its policy for contents forbids that), and
// names carry their hash, so that a browser may keep them.
export default defineConfig({
  base: "/static/app/",
  publicDir: false,
  plugins: [svelte()],
  build: {
    outDir: "../src/tiepoint/web/static/app",
    emptyOutDir: true,
    assetsDir: "",
    assetsInlineLimit: 0,
    modulePreload: { polyfill: false },
    target: "es2022",
  },
  server: { fs: { allow: [".."] }, proxy: { "/api": "http://127.0.0.1:8765" } },
  test: { include: ["src/**/*.test.ts"] },
});
