// Dropping ride files: each goes in pieces, a few at once, and goes on where it was cut off. Without a script the
// form below does the same in one go.
"use strict";
(() => {
  const tray = document.querySelector("[data-tray]");
  if (!tray) return;
  const PIECE = 4 * 1024 * 1024;
  const AT_ONCE = 3;
  const form = tray.closest("form");
  const token = form.elements.the_page.value;
  const panel = document.querySelector("[data-arriving]");
  const bar = panel.querySelector("progress");
  const told = panel.querySelector("[role=status]");
  const stop = panel.querySelector("[data-stop]");
  const goOn = panel.querySelector("[data-go-on]");
  let waiting = [];
  let stopping = null;
  let sent = 0;
  let whole = 0;
  let every = 0;
  let bytes = 0;
  const leftAlone = new Set();
  const refused = new Map();

  const mega = (count) => `${(count / 1e6).toFixed(count < 1e7 ? 1 : 0)} MB`;

  function say(words) {
    told.textContent = words;
  }

  function advance() {
    bar.max = Math.max(bytes, 1);
    bar.value = sent;
    say(`${whole} of ${every} files here, ${mega(sent)} of ${mega(bytes)}.`);
  }

  async function ask(path, options) {
    const answer = await fetch(path, { headers: { "X-The-Page": token }, ...options });
    return [answer.status, await answer.json().catch(() => ({}))];
  }

  async function send(one, signal) {
    const rider = form.querySelector("[name=rider]:checked, input[type=hidden][name=rider], select[name=rider]");
    const whose = new URLSearchParams({
      name: one.path,
      size: one.file.size,
      modified: one.file.lastModified,
      rider: rider ? rider.value : "",
    });
    let at = one.at ?? 0;
    for (;;) {
      const piece = one.file.slice(at, at + PIECE);
      const [status, said] = await ask(`/drop/piece?${whose}&at=${at}`, { method: "POST", body: piece, signal });
      if (status === 409 && Number.isInteger(said.have) && said.have !== at) {
        sent += said.have - at; // it was here already, from before it was cut off
        at = said.have;
      } else if (status === 200 && said.left_alone) {
        sent += one.file.size - at;
        leftAlone.add(one.path);
        return;
      } else if (status === 200) {
        sent += piece.size;
        at += piece.size;
        one.at = at;
        if (said.whole) return;
      } else if (status === 422 && said.refused) {
        sent += one.file.size - at;
        refused.set(said.refused, (refused.get(said.refused) ?? 0) + 1);
        return;
      } else {
        throw new Error(said.detail ?? `the page answers ${status}`);
      }
      advance();
    }
  }

  async function worker(signal) {
    while (waiting.length && !signal.aborted) {
      const one = waiting.shift();
      try {
        await send(one, signal);
        whole += 1;
        advance();
      } catch (trouble) {
        waiting.unshift(one);
        throw trouble;
      }
    }
  }

  async function go() {
    if (stopping || !waiting.length) return;
    stopping = new AbortController();
    panel.hidden = false;
    stop.hidden = false;
    goOn.hidden = true;
    advance();
    try {
      await Promise.all(Array.from({ length: AT_ONCE }, () => worker(stopping.signal)));
      await ask("/drop/read", { method: "POST" });
      await follow();
    } catch (trouble) {
      stopping.abort();
      const why = trouble.name === "AbortError" ? "Stopped" : `Cut off (${trouble.message})`;
      say(`${why}: ${whole} of ${every} files are here. What is missing waits; nothing is sent twice.`);
      goOn.hidden = false;
    } finally {
      stop.hidden = true;
      stopping = null;
    }
  }

  async function follow() {
    for (;;) {
      const [, said] = await ask("/drop/reading", {});
      bar.max = Math.max(said.total, 1);
      bar.value = said.read;
      say(`Read ${said.read} of ${said.total} files, ${said.rides} rides so far.`);
      if (!said.busy) break;
      await new Promise((done) => setTimeout(done, 500));
    }
    const oddities = [...refused].map(([why, count]) => (count > 1 ? `${why} (${count} files)` : why));
    if (oddities.length) {
      say(oddities.join(" "));
      return;
    }
    location.href = "/begin/files";
  }

  function add(found) {
    for (const one of found) {
      waiting.push(one);
      every += 1;
      bytes += one.file.size;
    }
    go();
  }

  function inside(entry, path) {
    if (entry.isFile) {
      return new Promise((done, fail) => {
        entry.file((file) => done([{ file, path: path + file.name }]), fail);
      });
    }
    const reader = entry.createReader();
    return new Promise((done, fail) => {
      const found = [];
      const more = () =>
        reader.readEntries(async (some) => {
          if (!some.length) return done(found);
          for (const one of some) found.push(...(await inside(one, `${path}${entry.name}/`)));
          more(); // a folder is told a hundred at a time
        }, fail);
      more();
    });
  }

  for (const input of form.querySelectorAll("input[type=file]")) {
    const take = () => {
      add([...input.files].map((file) => ({ file, path: file.webkitRelativePath || file.name })));
      input.value = "";
    };
    input.addEventListener("change", take);
    if (input.files.length) take(); // chosen while this script was still on its way
  }
  for (const kind of ["dragenter", "dragover"]) {
    tray.addEventListener(kind, (event) => {
      event.preventDefault();
      tray.classList.add("over");
    });
  }
  tray.addEventListener("dragleave", () => tray.classList.remove("over"));
  tray.addEventListener("drop", async (event) => {
    event.preventDefault();
    tray.classList.remove("over");
    const entries = [...event.dataTransfer.items].map((item) => item.webkitGetAsEntry()).filter(Boolean);
    say("Looking through what was dropped …");
    panel.hidden = false;
    for (const entry of entries) add(await inside(entry, ""));
  });
  stop.addEventListener("click", () => stopping?.abort());
  goOn.addEventListener("click", go);
  if (panel.dataset.busy) {
    panel.hidden = false;
    follow();
  }
})();
