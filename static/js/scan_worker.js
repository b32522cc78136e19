/* Decoding, off the page's thread.
 *
 * It runs under the policy of its own answer, so the pages' policy need not allow WebAssembly.
 * Asked {reader, wasm} once, then {id, buffer, width, height, hard}; answers {ready} and
 * {id, text, format, corners} with text null when nothing was found, or {failed}.
 */
"use strict";

const FORMATS = ["Code39", "Code128", "DataMatrix", "QRCode"];

async function begin({ reader, wasm }) {
  importScripts(reader);
  const answer = await fetch(wasm);
  if (!answer.ok) throw new Error(`The decoder did not load (${answer.status}).`);
  await ZXingWASM.prepareZXingModule({ overrides: { wasmBinary: await answer.arrayBuffer() }, fireImmediately: true });
  postMessage({ ready: true });
}

async function read({ id, buffer, width, height, hard }) {
  const picture = { data: new Uint8ClampedArray(buffer), width, height, colorSpace: "srgb" };
  const options = { formats: FORMATS, maxNumberOfSymbols: 1, tryHarder: hard, tryRotate: true, tryInvert: true, tryDownscale: true };
  const [found] = await ZXingWASM.readBarcodes(picture, options);
  if (!found || !found.isValid) return postMessage({ id, text: null });
  const { topLeft, topRight, bottomRight, bottomLeft } = found.position;
  return postMessage({ id, text: found.text, format: found.format, corners: [topLeft, topRight, bottomRight, bottomLeft] });
}

onmessage = async ({ data }) => {
  try {
    await (data.reader ? begin(data) : read(data));
  } catch (error) {
    postMessage({ id: data.id, failed: String(error.message || error) });
  }
};
