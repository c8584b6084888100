// What the page does better with a script: plots that read out, answers from the keyboard, changes shown at once.
// Everything works without it. It asks this page's own /api and nobody else.
"use strict";
document.documentElement.classList.add("scripted");

// --- a link to a folded part opens it ----------------------------------------------------------------------

function unfold() {
  const folded = location.hash.length > 1 && document.getElementById(location.hash.slice(1))?.querySelector("details");
  if (folded) folded.open = true;
}
unfold();
addEventListener("hashchange", unfold);

// --- plots: hover, touch, or arrow keys once the plot has the focus -------------------------------------------

function wordsOf(mark) {
  if (mark.dataset.says) return mark.dataset.says;
  const title = mark.querySelector("title");
  return title ? title.textContent : [mark.dataset.date, mark.dataset.value, mark.dataset.unit].filter(Boolean).join(" ");
}

function seen(element) {
  return element.getClientRects().length > 0;
}

// A drop or a reading is thinner than a finger: what is near enough is meant.
function nearest(marks, event, reach = 16) {
  let found = null;
  for (const mark of marks) {
    for (const box of mark.getClientRects()) {
      const x = Math.max(box.left - event.clientX, event.clientX - box.right, 0);
      const y = Math.max(box.top - event.clientY, event.clientY - box.bottom, 0);
      const away = Math.hypot(x, y);
      if (away < reach) [reach, found] = [away, mark];
    }
  }
  return found;
}

for (const plot of document.querySelectorAll("figure.plot")) {
  const selector = "[data-value], [data-says], .mark";
  if (!plot.querySelector(selector)) continue;
  const reader = document.createElement("output");
  reader.className = "reader";
  reader.setAttribute("aria-live", "polite");
  plot.append(reader);
  plot.tabIndex = 0;
  plot.setAttribute("role", "group");
  if (!plot.hasAttribute("aria-label")) plot.setAttribute("aria-label", "A drawing; the arrow keys read it out");
  let pointed = null;
  const point = (mark) => {
    if (pointed) pointed.classList.remove("pointed");
    pointed = mark;
    if (!mark) return;
    mark.classList.add("pointed");
    reader.textContent = wordsOf(mark);
  };
  plot.addEventListener("focus", () => {
    if (!pointed) reader.textContent = "→ and ← read it out.";
  });
  const leave = () => {
    point(null);
    reader.textContent = "";
  };
  plot.addEventListener("blur", leave);
  plot.addEventListener("pointerleave", leave);
  plot.addEventListener("pointermove", (event) => {
    const mark = event.target.closest(selector) ?? nearest(plot.querySelectorAll(selector), event);
    if (mark && mark !== pointed) point(mark);
  });
  plot.addEventListener("keydown", (event) => {
    const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
    if (!step || event.target !== plot) return;
    const marks = [...plot.querySelectorAll(selector)].filter(seen);
    if (!marks.length) return;
    const at = marks.indexOf(pointed);
    point(marks[at < 0 ? (step > 0 ? 0 : marks.length - 1) : (at + step + marks.length) % marks.length]);
    event.preventDefault();
  });
}

// --- answers: a digit picks the bike and goes on --------------------------------------------------------------

const answers = document.querySelector("form[data-answers]");
if (answers) {
  const questions = [...answers.querySelectorAll("fieldset")];
  const asked = questions.filter((question) => !question.dataset.others);
  const tally = answers.querySelector("output");
  let now = 0;
  const options = (question) => [...question.querySelectorAll("input[type=radio]")];
  const open = (question) => options(question).at(-1);
  const count = () => {
    let said = 0;
    for (const question of asked) {
      const others = answers.querySelector(`[data-others="${question.dataset.rider}"]`);
      const answered = !open(question).checked || Boolean(others && !open(others).checked);
      question.classList.toggle("said", answered);
      said += answered;
    }
    tally.textContent = `${said} of ${asked.length} answered; nothing is kept yet.`;
  };
  const mark = (to) => {
    questions[now].classList.remove("now");
    now = to;
    questions[now].classList.add("now");
  };
  const go = (to) => {
    mark(Math.min(questions.length - 1, Math.max(0, to)));
    const chosen = options(questions[now]).find((option) => option.checked);
    chosen.focus({ preventScroll: true });
    questions[now].scrollIntoView({ block: "center" });
  };
  answers.addEventListener("change", count);
  answers.addEventListener("focusin", (event) => {
    const at = questions.indexOf(event.target.closest("fieldset"));
    if (at >= 0 && at !== now) mark(at);
  });
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (/^\d$/.test(event.key)) {
      const picked = options(questions[now]).find(
        (option) => option.parentElement.querySelector("kbd")?.textContent === event.key,
      );
      if (!picked) return;
      picked.checked = true;
      count();
      go(now + 1);
    } else if (event.key === "ArrowDown" || event.key === "ArrowUp") {
      go(now + (event.key === "ArrowDown" ? 1 : -1));
    } else if (event.key === "Delete") {
      open(questions[now]).checked = true;
      count();
      go(now);
    } else if (event.key === "Enter" && event.target.matches?.("input")) {
      answers.requestSubmit();
    } else {
      return;
    }
    event.preventDefault();
  });
  count();
  go(0);
}

// --- corrections: what would change is shown as soon as something is chosen ------------------------------------

for (const form of document.querySelectorAll("form[data-supposes]")) {
  const choice = form.querySelector("select");
  const output = form.querySelector("output");
  let asked = 0;
  const suppose = async () => {
    const mine = ++asked;
    output.textContent = "";
    if (!choice.value) return;
    try {
      const answer = await fetch(form.dataset.supposes + encodeURIComponent(choice.value));
      const said = await answer.json();
      if (mine !== asked) return;
      output.textContent = answer.ok ? said.sentences.join("\n") : said.detail;
    } catch {
      if (mine === asked) output.textContent = "The page does not answer; is gritledger still running?";
    }
  };
  choice.addEventListener("change", suppose);
  if (!choice.selectedOptions[0]?.defaultSelected) suppose(); // chosen while this script was still on its way
}
