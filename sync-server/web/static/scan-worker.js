// Reads codes beside the app, so that a slow picture never holds up a tap and a crash ends only this.

import init, { read } from "./scan.js";

const loaded = init({ module_or_path: new URL("./scan_bg.wasm", import.meta.url) });

self.onmessage = async ({ data: { luma, width, height } }) => {
  await loaded;
  self.postMessage(read(luma, width, height) ?? null);
};
