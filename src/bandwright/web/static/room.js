// Times this phone against the computer at the site: round trips at rest, octets to the phone, octets from it. Shows words, no figure, while it runs.
(() => {
  const LOAD_MS = 3000, STREAMS = 3, BEATS = 21, NOTE_MS = 20, PATIENCE_MS = 8000;
  const form = document.getElementById("room-form"), field = document.getElementById("room");
  const button = document.getElementById("begin"), now = document.getElementById("now");
  const say = (text) => { now.textContent = text; };
  const wait = (ms) => new Promise((done) => setTimeout(done, ms));

  // The smallest step of this browser's clock: some move by a whole millisecond or more, to guard privacy.
  function clockStep() {
    let least = Infinity;
    for (let k = 0; k < 10; k++) {
      const begin = performance.now();
      let later = begin;
      while (later === begin) later = performance.now();
      least = Math.min(least, later - begin);
    }
    return least;
  }

  async function ask(path, options = {}) {
    const stop = new AbortController();
    const timer = setTimeout(() => stop.abort(), PATIENCE_MS);
    try {
      return await fetch(path, { cache: "no-store", signal: stop.signal, ...options });
    } finally {
      clearTimeout(timer);
    }
  }

  async function posted(path, value) {
    const answer = await ask(path, { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(value) });
    const told = await answer.json();
    if (!answer.ok) throw Object.assign(new Error(told.why), { told: told.why });
    return told;
  }

  async function beat(run, into) {
    const begin = performance.now();
    const answer = await ask("/room/beat?run=" + run);
    if (!answer.ok) throw new Error("beat");
    into.push(performance.now() - begin);
  }

  // Runs several transfers with round trips beside them, until the time or the octets are used up. One that fails ends all.
  async function loaded(run, points, beats, most, transfer) {
    const begin = performance.now(), load = { octets: 0, sent: 0, over: false, stop: new AbortController() };
    let failed = null, noted = 0;
    const note = (count) => {
      load.octets = Math.min(most, load.octets + count);
      const at = performance.now() - begin;
      if (at - noted >= NOTE_MS) { points.push([at, load.octets]); noted = at; }
    };
    const end = () => { load.over = true; load.stop.abort(); };
    const timer = setTimeout(end, LOAD_MS);
    points.push([0, 0]);
    const each = async () => {
      try { await transfer(run, load, note, most); } catch (error) { if (!load.over) { failed = error; end(); } }
    };
    const timed = (async () => {
      while (!load.over) {
        await wait(50);
        if (load.over) break;
        try { await beat(run, beats); } catch (error) { if (!load.over) { failed = error; end(); } }
      }
    })();
    await Promise.all(Array.from({ length: STREAMS }, each));
    end();
    clearTimeout(timer);
    await timed;
    if (failed) throw failed;
  }

  async function receive(run, load, note, most) {
    const answer = await fetch("/room/octets?run=" + run, { cache: "no-store", signal: load.stop.signal });
    if (!answer.ok) throw new Error("octets");
    const reader = answer.body.getReader();
    while (!load.over && load.octets < most) {
      const { done, value } = await reader.read();
      if (done) break;
      note(value.length);
    }
    reader.cancel().catch(() => {});
  }

  function noise(size) {
    const made = new Uint8Array(size);
    for (let k = 0; k < size; k += 65536) crypto.getRandomValues(made.subarray(k, Math.min(size, k + 65536)));
    return made;
  }

  // Pieces grow while one takes less than a tenth of a second, so that a slow room is still seen in steps and a fast one is filled.
  function sender(block) {
    return async (run, load, note, most) => {
      let size = 65536;
      while (!load.over && load.sent + size <= most) {
        load.sent += size;
        const begin = performance.now();
        const answer = await fetch("/room/octets?run=" + run, { method: "POST", body: block.subarray(0, size), signal: load.stop.signal });
        if (!answer.ok) throw new Error("octets");
        note(size);
        if (performance.now() - begin < 100) size = Math.min(block.length, 2 * size);
      }
    };
  }

  async function reported(report) {
    for (let tried = 0; ; tried++) {
      try { return await posted("/room/report", report); } catch (error) {
        if (error.told || tried === 4) throw error;
        say("The computer at the site does not answer. Waiting for it, to keep what was timed.");
        await wait(2000);
      }
    }
  }

  async function measure(room) {
    say("Asking the computer at the site to begin.");
    const { run, most_octets: most, most_piece: piece } = await posted("/room/begin", { room });
    const report = { run, idle_ms: [], down_ms: [], up_ms: [], down: [], up: [], clock_step_ms: clockStep(), ended: "" };
    let phase = "idle";
    try {
      say("Asking how long an answer takes while nothing else is sent.");
      for (let k = 0; k < BEATS; k++) { await beat(run, report.idle_ms); await wait(30); }
      phase = "down";
      say("Asking how much this room lets through to the phone.");
      await loaded(run, report.down, report.down_ms, most, receive);
      phase = "up";
      say("Asking how much this room lets through from the phone.");
      await loaded(run, report.up, report.up_ms, most, sender(noise(piece)));
    } catch {
      report.ended = phase;
    }
    say("Done. Keeping it.");
    const { to } = await reported(report);
    location.assign(to);
  }

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const room = field.value.trim();
    if (!room) { field.focus(); return; }
    button.disabled = true;
    try {
      await measure(room);
    } catch (error) {
      say(error.told || "The computer at the site cannot be reached from here: the house's own network fails in this room, before the radio takes part. Nothing could be kept.");
      button.disabled = false;
    }
  });
})();
