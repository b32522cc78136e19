/* Scanning a code with the camera, or from a photo of it.
 *
 * <button data-scan="#id_vin" data-scan-kind="vin">   fills the field and fires input and change
 *     data-scan-kind: vin (checked, import prefix taken off), serial (as it is), job (opens the job
 *     whose key tag it is). A selector may begin with "closest(tr) " to look in the button's own row.
 * The dialog is the <template id="scan-dialog">; its data attributes name worker, decoder and checks.
 * Code 39, Code 128, Data Matrix and QR. Everything is decoded on the device.
 */
(() => {
  "use strict";

  if (window.loombookScan) return;
  window.loombookScan = true;
  const LONG_SIDE = 1280;
  const PHOTO_SIDE = 2400;
  const PAUSE_MS = 60;
  const VIN_LENGTH = 17;
  const template = document.getElementById("scan-dialog");
  if (!template) return;

  // Decoder: one worker, made when the first scan starts --------------------------------------------

  let worker = null;
  let ready = null;
  let asked = 0;
  const open = new Map();

  function startDecoder() {
    if (ready) return ready;
    worker = new Worker(template.dataset.worker);
    ready = new Promise((resolve, reject) => {
      worker.onerror = () => reject(new Error(told("The decoder did not load.")));
      worker.onmessage = ({ data }) => {
        if (data.ready) resolve();
        else if (data.failed && data.id === undefined) reject(new Error(data.failed));
        else {
          open.get(data.id)?.(data);
          open.delete(data.id);
        }
      };
      worker.postMessage({ reader: new URL(template.dataset.reader, location.href).href, wasm: new URL(template.dataset.wasm, location.href).href });
    });
    ready.catch(() => {
      worker.terminate();
      ready = null;
    });
    return ready;
  }

  async function decode(source, width, height, longSide, hard) {
    await startDecoder();
    const scale = Math.min(1, longSide / Math.max(width, height));
    const canvas = document.createElement("canvas");
    canvas.width = Math.max(1, Math.round(width * scale));
    canvas.height = Math.max(1, Math.round(height * scale));
    const context = canvas.getContext("2d", { willReadFrequently: true });
    context.drawImage(source, 0, 0, canvas.width, canvas.height);
    const { data } = context.getImageData(0, 0, canvas.width, canvas.height);
    const id = (asked += 1);
    const answer = await new Promise((done) => {
      open.set(id, done);
      worker.postMessage({ id, buffer: data.buffer, width: canvas.width, height: canvas.height, hard }, [data.buffer]);
    });
    return { ...answer, canvas };
  }

  // What a code says ---------------------------------------------------------------------------------

  /** {value} to use, or {not} saying why this code is not the one that is looked for. */
  const KINDS = {
    vin(text) {
      const plain = text.toUpperCase().replace(/[^A-Z0-9]/g, "");
      const bare = plain.length === VIN_LENGTH + 1 && plain.startsWith("I") ? plain.slice(1) : plain;
      if (bare.length === VIN_LENGTH) return { value: bare };
      const inside = /(?:^|[^A-Z0-9])([A-HJ-NPR-Z0-9]{17})(?![A-Z0-9])/.exec(text.toUpperCase());
      return inside ? { value: inside[1] } : { not: told("That code says “%(text)s”: a VIN has 17 characters. Try another code on the car.", { text: text.slice(0, 40) }) };
    },
    serial(text) {
      const value = text.replace(/[\u0000-\u001f]+/g, " ").trim();
      return value ? { value: value.slice(0, 60) } : { not: told("That code is empty. Try another.") };
    },
    job(text) {
      const number = /\/jobs\/(\d+)\/?(?:[?#]|$)/.exec(text)?.[1] || /^J(\d+)$/i.exec(text.trim())?.[1];
      return number ? { value: number } : { not: told("That is no key tag of this shop. Scan the square code on the tag.") };
    },
  };

  // The dialog ---------------------------------------------------------------------------------------

  function fieldOf(button) {
    const wanted = button.dataset.scan || "";
    const near = /^closest\(([^)]+)\)\s*(.*)$/.exec(wanted);
    return near ? button.closest(near[1])?.querySelector(near[2]) : wanted ? document.querySelector(wanted) : null;
  }

  function start(button) {
    const kind = button.dataset.scanKind || "serial";
    const dialog = template.content.firstElementChild.cloneNode(true);
    const part = (name) => dialog.querySelector(`[data-scan-${name}]`);
    const [video, said, found, view] = [part("video"), part("said"), part("found"), part("view")];
    const state = { over: false, stream: null, value: "", last: "" };
    dialog.querySelector("h2").textContent = button.dataset.scanTitle || button.textContent.trim();
    const say = (text) => {
      if (said.textContent !== text) said.textContent = text;
    };

    function stop() {
      state.stream?.getTracks().forEach((track) => track.stop());
      state.stream = null;
      video.srcObject = null;
    }

    function close() {
      state.over = true;
      stop();
      dialog.remove();
      button.focus();
    }

    function outline(corners, width, height) {
      const svg = part("outline");
      svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
      svg.replaceChildren();
      if (!corners) return;
      const shape = document.createElementNS("http://www.w3.org/2000/svg", "polygon");
      shape.setAttribute("points", corners.map(({ x, y }) => `${x},${y}`).join(" "));
      svg.append(shape);
    }

    /** A code was read: show it, or say why it is not the one. True ends the search. */
    function take({ text, corners, canvas }, picture) {
      const read = KINDS[kind](text);
      if (read.not) {
        say(read.not);
        return false;
      }
      state.value = read.value;
      if (kind === "job") {
        say(told("Opening J%(read)s", { read: read.value }));
        location.assign(template.dataset.job.replace("/0/", `/${Number(read.value)}/`));
        return true;
      }
      stop();
      const still = part("still");
      still.width = canvas.width;
      still.height = canvas.height;
      still.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
      view.hidden = false;
      video.hidden = true;
      still.hidden = false;
      outline(corners, canvas.width, canvas.height);
      found.textContent = read.value;
      found.hidden = false;
      say(told("Read. Compare it with the label, then use it."));
      part("use").hidden = part("again").hidden = false;
      part("photo").hidden = part("torch").hidden = true;
      part("use").focus();
      navigator.vibrate?.(60);
      if (kind === "vin") report(read.value);
      return true;
    }

    async function report(vin) {
      const box = part("report");
      try {
        const answer = await fetch(`${template.dataset.vin}?vin=${encodeURIComponent(vin)}`, { headers: { "HX-Request": "true" } });
        if (!answer.ok || Loombook.aboutOf(answer) !== "entry" || state.value !== vin) return;
        const page = new DOMParser().parseFromString(await answer.text(), "text/html");
        page.querySelectorAll("button, input, label, .actions").forEach((one) => one.remove());
        box.replaceChildren(...[...page.body.childNodes].map((one) => document.importNode(one, true)));
      } catch {
        box.textContent = told("No network: the check digit is looked at when the field is saved.");
      }
    }

    async function watch() {
      let before = "";
      while (!state.over && state.stream) {
        if (video.readyState >= 2 && video.videoWidth) {
          let answer;
          try {
            answer = await decode(video, video.videoWidth, video.videoHeight, LONG_SIDE, true);
          } catch {
            return noDecoder();
          }
          if (state.over || !state.stream) return undefined;
          if (answer.text) {
            outline(answer.corners, answer.canvas.width, answer.canvas.height);
            /* Code 39 carries no check of its own: it counts when read twice alike. */
            const sure = answer.format !== "Code39" || answer.text === before;
            before = answer.text;
            if (sure && take(answer, answer.canvas)) return undefined;
          } else outline(null, 1, 1);
        }
        await new Promise((done) => setTimeout(done, PAUSE_MS));
      }
      return undefined;
    }

    function noDecoder() {
      stop();
      view.hidden = true;
      say(told("The code reader did not load. Check the network, close this and try again, or type it in."));
    }

    async function camera() {
      state.value = "";
      found.hidden = part("use").hidden = part("again").hidden = true;
      part("report").replaceChildren();
      part("still").hidden = true;
      part("photo").hidden = false;
      outline(null, 1, 1);
      if (!navigator.mediaDevices?.getUserMedia) {
        view.hidden = true;
        const why = window.isSecureContext ? told("This browser gives no live camera.") : told("Live scanning needs a secure address (https), and this page has none.");
        return say(told("%(why)s Take a photo of the code instead.", { why }));
      }
      video.hidden = view.hidden = false;
      say(told("Hold the code in the picture, about a hand's width away."));
      startDecoder().catch(noDecoder);
      try {
        state.stream = await navigator.mediaDevices.getUserMedia({ audio: false, video: { facingMode: "environment", width: { ideal: 1920 }, height: { ideal: 1080 } } });
      } catch (error) {
        view.hidden = true;
        const why =
          error.name === "NotAllowedError"
            ? told("The camera is not allowed for this page: allow it in the browser's settings for this address.")
            : error.name === "NotFoundError"
              ? told("No camera was found on this device.")
              : told("The camera did not start: another program may be using it.");
        return say(told("%(why)s Or use a photo of the code.", { why }));
      }
      if (state.over) return stop();
      video.srcObject = state.stream;
      await video.play().catch(() => {});
      torch();
      return watch();
    }

    function torch() {
      const [track] = state.stream?.getVideoTracks() || [];
      const light = part("torch");
      light.hidden = !track?.getCapabilities?.().torch;
      light.setAttribute("aria-pressed", "false");
      light.onclick = () => {
        const on = light.getAttribute("aria-pressed") !== "true";
        track.applyConstraints({ advanced: [{ torch: on }] }).then(() => light.setAttribute("aria-pressed", String(on)), () => (light.hidden = true));
      };
    }

    async function fromPhoto(input) {
      const [file] = input.files;
      input.value = "";
      if (!file) return;
      stop();
      say(told("Reading the photo"));
      try {
        const bitmap = await createImageBitmap(file, { imageOrientation: "from-image" });
        const answer = await decode(bitmap, bitmap.width, bitmap.height, PHOTO_SIDE, true);
        if (!answer.text) say(told("No code found in that photo. Take it closer, sharp and without glare."));
        else take(answer, answer.canvas);
      } catch (error) {
        say(error.name === "InvalidStateError" ? told("This picture cannot be read here. Take a JPEG or PNG photo of the code.") : told("The code reader did not load. Check the network and try again."));
      }
    }

    function use() {
      const field = fieldOf(button);
      close();
      if (!field) return Loombook.say(told("The field is no longer on this page. Scan again."), "warning");
      field.value = state.value;
      field.focus();
      for (const type of ["input", "change"]) field.dispatchEvent(new Event(type, { bubbles: true }));
      return undefined;
    }

    part("use").addEventListener("click", use);
    part("again").addEventListener("click", camera);
    part("photo").querySelector("input").addEventListener("change", (event) => fromPhoto(event.target));
    dialog.addEventListener("close", close);
    document.body.append(dialog);
    dialog.showModal();
    camera();
  }

  document.addEventListener("click", (event) => {
    const button = event.target.closest?.("button[data-scan-kind]");
    if (!button) return;
    event.preventDefault();
    start(button);
  });
})();
