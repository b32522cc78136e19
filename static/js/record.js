/* Measuring with a microphone: plays a signal, records what is heard, keeps it on this device and
 * sends it like every other entry.
 *
 * form[data-record]        data-signal: where the signal is; data-worklet; data-first, data-last: levels [dB]
 * [data-record-do]         play (and record), hear (record alone), stop; ear (play alone), quiet
 * [data-record-how]        said of the signal of this kind alone
 * [data-record-level]      so much louder or quieter [dB]; [data-record-says] shows the level
 * [data-record-order]      the channels that play one after another, where that is chosen
 * [data-record-turns]      what the sounds of the naming of channels want turned, each in the pause before
 * [data-record-meter]      shown while recording; [data-record-time] how long, [data-record-now] what plays
 *
 * The browser is asked to change nothing of the sound, and it is said when it does not obey.
 */
(() => {
  "use strict";

  const form = document.querySelector("form[data-record]");
  if (!form) return;
  const find = (name) => form.querySelector(`[data-record-${name}]`);
  const act = Object.fromEntries([...form.querySelectorAll("[data-record-do]")].map((one) => [one.dataset.recordDo, one]));
  const status = find("status");
  const words = form.dataset;
  const FIRST = Number(words.first);
  const LEAD_MS = 600;
  const TAIL_MS = 900;
  const LONGEST_S = 590;
  const RAW = { echoCancellation: false, noiseSuppression: false, autoGainControl: false };
  const CHANGES = { echoCancellation: words.echo, noiseSuppression: words.noise, autoGainControl: words.gain };

  let level = FIRST;
  let session = null;

  // What is to be played --------------------------------------------------------------------------

  const kind = () => form.elements.kind.value || "sweep";
  const oneByOne = () => words.oneByOne.split(" ").includes(kind());
  const each = () => oneByOne() && form.elements.playing.value === "each";
  const asked = () => new URLSearchParams({
    kind: kind(),
    tone_hz: form.elements.tone_hz.value,
    seconds: form.elements.seconds.value,
    pause_s: form.elements.pause_s.value,
    playing: form.elements.playing.value,
    level_dbfs: String(level),
  });
  const address = () => `${words.signal}?${asked()}`;

  function show() {
    form.elements.level_dbfs.value = String(level);
    find("says").textContent = `${String(level).replace("-", "−")}\u00a0dB`;
    find("file").href = address();
    find("order").hidden = !each();
    find("turns").hidden = kind() !== "channels";
    const shows = { pause_s: each() || kind() === "channels", tone_hz: kind() === "tone", seconds: !["pulse", "channels"].includes(kind()) };
    for (const [name, on] of Object.entries(shows)) form.elements[name][0].closest(".field").hidden = !on;
    for (const how of form.querySelectorAll("[data-record-how]")) how.hidden = how.dataset.recordHow !== kind();
  }

  /** Another signal begins at its lowest again, and some are heard of one thing at a time. */
  function turn() {
    level = FIRST;
    const all = form.elements.playing.querySelector('[value="each"]');
    if (all) all.disabled = !oneByOne();
    if (all?.disabled && all.selected) form.elements.playing.selectedIndex = 0;
  }

  form.addEventListener("click", (event) => {
    const step = event.target.closest?.("[data-record-level]");
    if (!step) return;
    const last = Number(kind() === "pink" ? words.lastNoise : words.last);
    level = Math.min(Math.max(level + Number(step.dataset.recordLevel), FIRST), last);
    show();
  });
  form.addEventListener("change", ({ target }) => {
    if (target.name === "kind") turn();
    show();
  });

  // Hearing ---------------------------------------------------------------------------------------

  /** Everything is ready before the microphone is: nothing of what it hears first is lost. */
  async function open() {
    const context = new AudioContext();
    try {
      await context.audioWorklet.addModule(words.worklet);
      await context.resume();
      return await listen(context);
    } catch (error) {
      await context.close();
      throw error;
    }
  }

  async function listen(context) {
    const stream = await navigator.mediaDevices.getUserMedia({ audio: { ...RAW, channelCount: 1 } });
    const hearing = new AudioWorkletNode(context, "hearing", { numberOfOutputs: 0 });
    const blocks = [];
    let peak = 0;
    hearing.port.onmessage = ({ data }) => {
      blocks.push(data);
      for (const value of data) peak = Math.max(peak, Math.abs(value));
    };
    context.createMediaStreamSource(stream).connect(hearing);
    const began = Date.now();
    const meter = setInterval(() => {
      find("meter").querySelector("meter").value = peak ? 20 * Math.log10(peak) : -60;
      find("time").textContent = `${Math.floor((Date.now() - began) / 1000)}\u00a0s`;
      peak = 0;
    }, 100);
    const [track] = stream.getAudioTracks();
    const got = track.getSettings();
    const changes = Object.keys(RAW).filter((name) => got[name]);
    find("changes").textContent = changes.map((name) => CHANGES[name]).join(", ");
    find("obeys").hidden = !changes.length;
    form.elements.device.value = [track.label, ...changes].join("; ").slice(0, 200);
    return { stream, context, blocks, meter };
  }

  async function close({ stream, context, meter }) {
    clearInterval(meter);
    for (const track of stream.getTracks()) track.stop();
    await context.close();
  }

  /** 24 bits, one channel: RIFF as of IBM and Microsoft, 1991. */
  function wav(blocks, rate) {
    const count = blocks.reduce((sum, one) => sum + one.length, 0);
    const view = new DataView(new ArrayBuffer(44 + 3 * count));
    const text = (at, letters) => [...letters].forEach((one, n) => view.setUint8(at + n, one.charCodeAt(0)));
    text(0, "RIFF");
    view.setUint32(4, 36 + 3 * count, true);
    text(8, "WAVEfmt ");
    view.setUint32(16, 16, true);
    view.setUint16(20, 1, true);
    view.setUint16(22, 1, true);
    view.setUint32(24, rate, true);
    view.setUint32(28, 3 * rate, true);
    view.setUint16(32, 3, true);
    view.setUint16(34, 24, true);
    text(36, "data");
    view.setUint32(40, 3 * count, true);
    let at = 44;
    for (const block of blocks) {
      for (const value of block) {
        const whole = Math.round(Math.min(Math.max(value, -1), 1) * 8388607);
        view.setUint8(at, whole & 255);
        view.setInt16(at + 1, whole >> 8, true);
        at += 3;
      }
    }
    return new Blob([view], { type: "audio/wav" });
  }

  // A recording from beginning to end ---------------------------------------------------------------

  const pause = (ms) => new Promise((go) => setTimeout(go, ms));
  const say = (text) => (status.textContent = text);

  function running(on) {
    for (const name of ["play", "hear", "ear"]) act[name].hidden = on;
    act.stop.hidden = !on;
    find("meter").hidden = !on;
    find("now").textContent = "";
  }

  /** Says what plays now, by the clock of the player; gives when the signal has ended. What is to be turned for a
   *  sound is said from the pause before it on. */
  function follow(player) {
    const turns = kind() === "channels";
    const rows = [...find(turns ? "turns" : "order").children];
    const pause = turns ? Number(form.elements.pause_s.value) : 0;
    const mark = () => {
      if (!(turns || each()) || !player.duration) return;
      const share = (player.currentTime + pause) / (player.duration + pause);
      const now = rows[Math.min(Math.floor(share * rows.length), rows.length - 1)];
      for (const row of rows) row.toggleAttribute("aria-current", row === now);
      find("now").textContent = now.textContent;
    };
    player.addEventListener("timeupdate", mark);
    return new Promise((end, fail) => {
      player.addEventListener("ended", end);
      player.addEventListener("error", () => fail(new Error(words.unplayed)));
    });
  }

  async function begin(plays) {
    if (session || !form.reportValidity()) return;
    if (!form.elements.place.value.trim()) {
      say(words.where);
      form.elements.place.focus();
      return;
    }
    session = { stop: null };
    running(true);
    say("");
    try {
      const heard = await open();
      session.stop = new Promise((go) => (session.end = go));
      const limit = setTimeout(session.end, LONGEST_S * 1000);
      if (plays) {
        const player = new Audio(address());
        session.player = player;
        await pause(LEAD_MS);
        const ended = follow(player);
        await player.play();
        await Promise.race([ended.then(() => pause(TAIL_MS)), session.stop]);
        player.pause();
      } else await session.stop;
      clearTimeout(limit);
      await close(heard);
      send(wav(heard.blocks, heard.context.sampleRate));
    } catch (error) {
      say(error.name === "NotAllowedError" ? words.refused : `${words.failed} ${error.message}`);
    }
    session = null;
    running(false);
  }

  /** By ear: nothing is recorded. */
  async function sound() {
    if (session) return;
    const player = new Audio(address());
    session = { player };
    for (const name of ["play", "hear", "ear"]) act[name].hidden = true;
    act.quiet.hidden = false;
    say("");
    try {
      const ended = follow(player);
      const stopped = new Promise((go) => (session.end = go));
      await player.play();
      await Promise.race([ended, stopped]);
      player.pause();
    } catch (error) {
      say(`${words.unplayed} ${error.message}`);
    }
    session = null;
    act.quiet.hidden = true;
    act.ear.hidden = false;
    for (const name of ["play", "hear"]) act[name].hidden = !able;
    find("now").textContent = "";
  }

  function send(blob) {
    const skip = ["recording", "key", "csrfmiddlewaretoken"];
    const typed = [...new FormData(form)].filter(([name]) => !skip.includes(name));
    const fields = Object.fromEntries(typed.map(([name, value]) => [name, [value]]));
    say(words.sending);
    Loombook.outbox.add({
      kind: "recording",
      url: form.getAttribute("action"),
      key: Loombook.outbox.makeKey(),
      fields,
      blob,
      page: location.pathname + location.search,
      what: words.what,
    });
  }

  document.addEventListener("outbox:answer", ({ detail }) => {
    const { entry, status: code, text, said } = detail;
    if (entry.kind !== "recording" || entry.url !== form.getAttribute("action")) return;
    if (code < 300) {
      htmx.swap("#recordings", text, { swapStyle: "innerHTML" });
      say(words.kept);
    } else say(said);
  });

  act.play.addEventListener("click", () => begin(true));
  act.hear.addEventListener("click", () => begin(false));
  act.ear.addEventListener("click", sound);
  for (const name of ["stop", "quiet"]) act[name].addEventListener("click", () => session?.end?.());

  const able = Boolean(navigator.mediaDevices?.getUserMedia && window.AudioWorkletNode);
  if (able) fetch(words.worklet); // There when the network is not.
  find("none").hidden = able;
  for (const name of ["play", "hear"]) act[name].hidden = !able;
  act.ear.hidden = false;
  turn();
  show();
})();
