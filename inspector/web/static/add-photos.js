// Photos are sent one by one, two at a time, each with its own progress; a failed one can be sent again.

import { number, text } from "./texts.js";

const AT_ONCE = 2;
const VERDICT_EVERY_MS = 1500;

for (const form of document.querySelectorAll("[data-add-photos]")) adding(form);

function adding(form) {
  const list = form.querySelector("[data-queue]");
  const sum = form.querySelector("[data-sum]");
  const send = form.querySelector("[data-send]");
  const complaint = form.querySelector("[data-complaint]");
  const inputs = [...form.querySelectorAll('input[type="file"]')];
  const chosen = []; // photos dropped in, beside those in the file fields
  const waiting = [];
  const jobs = [];
  let flying = 0;

  for (const part of form.querySelectorAll("[data-with-script]")) part.hidden = false;
  const photos = () => [...chosen, ...inputs.flatMap((input) => [...input.files])];

  function tellCount() {
    const count = photos().length;
    send.textContent = count ? text("inspect-counted", { count }) : text("inspect-photos");
    complaint.hidden = true;
  }
  for (const input of inputs) input.addEventListener("change", tellCount);
  dropping(form, (files) => {
    chosen.push(...files);
    tellCount();
  });
  offeringPours(form);

  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const files = photos();
    if (!files.length) {
      complaint.textContent = text("none-chosen");
      complaint.hidden = false;
      return;
    }
    const fields = new FormData(form);
    fields.delete("photos");
    for (const file of files) {
      const job = { file, fields: [...fields], row: row(list, file.name), state: "queued" };
      jobs.push(job);
      waiting.push(job);
    }
    chosen.length = 0;
    for (const input of inputs) input.value = "";
    tellCount();
    goOn();
  });

  function goOn() {
    while (flying < AT_ONCE && waiting.length) {
      flying += 1;
      sendOne(waiting.shift(), Number(form.dataset.maxBytes), (job) => {
        flying -= 1;
        if (job.state === "failed") offerAgain(job);
        if (job.state === "kept") askForVerdict(job, goOn);
        goOn();
      });
    }
    const done = jobs.filter((job) => !["queued", "sending", "kept"].includes(job.state));
    const counted = (state, name) => {
      const count = jobs.filter((job) => job.state === state).length;
      return count ? `, ${text(name, { count })}` : "";
    };
    sum.textContent = text("done-of", { done: done.length, all: jobs.length }) + counted("flagged", "count-flagged") +
      counted("could not be used", "count-not-used") + counted("failed", "count-not-sent") + counted("kept", "count-kept");
    if (done.length === jobs.length) {
      const link = Object.assign(document.createElement("a"), { href: location.href.split("#")[0], textContent: text("show-now") });
      sum.append(" ", link);
    }
  }
  function offerAgain(job) {
    const again = Object.assign(document.createElement("button"), { type: "button", textContent: text("send-again") });
    again.addEventListener("click", () => {
      again.remove();
      job.state = "queued";
      say(job, "", text("queued"));
      waiting.push(job);
      goOn();
    });
    job.row.append(again);
  }
  window.addEventListener("beforeunload", (event) => {
    if (flying) event.preventDefault();
  });
}

function sendOne(job, maxBytes, done) {
  function end(state, words) {
    job.state = state;
    job.row.querySelector("progress")?.remove();
    say(job, state.replaceAll(" ", "-"), words);
    done(job);
  }
  job.state = "sending";
  if (job.file.size > maxBytes) {
    const sizes = { size: number(job.file.size / 1e6, 1), most: number(maxBytes / 1e6, 1) };
    // Asked for by a timer so that the queue goes on from one place only.
    setTimeout(() => end("could not be used", text("too-large", sizes)));
    return;
  }
  const body = new FormData();
  for (const [name, value] of job.fields) body.append(name, value);
  body.append("photos", job.file, job.file.name);
  const bar = Object.assign(document.createElement("progress"), { max: 1, value: 0 });
  bar.setAttribute("aria-label", text("sending-name", { name: job.file.name }));
  job.row.append(bar);

  const request = new XMLHttpRequest();
  const site = document.documentElement.dataset.site;
  request.open("POST", site ? `/photos?at=${site}` : "/photos");
  request.setRequestHeader("Accept", "application/json");
  request.responseType = "json";
  request.upload.addEventListener("progress", (event) => {
    if (!event.lengthComputable) return;
    bar.value = event.loaded / event.total;
    say(job, "", text("sending-percent", { percent: Math.round(bar.value * 100) }));
  });
  request.upload.addEventListener("load", () => {
    bar.removeAttribute("value");
    say(job, "", text("inspecting"));
  });
  request.addEventListener("load", () => {
    const photo = request.response?.photos?.[0];
    if (!photo) {
      const reason = request.response?.error?.message ?? text("answered", { status: request.status });
      end("failed", text("not-sent", { why: reason }));
      return;
    }
    if (photo.already_logged) note(job.row, text("logged-already"));
    job.photo = photo;
    end(photo.outcome, outcomeOf(photo));
    if (photo.outcome !== "kept") tellRest(job);
  });
  for (const lost of ["error", "timeout", "abort"]) {
    request.addEventListener(lost, () => end("failed", text("not-sent-reach")));
  }
  say(job, "", text("sending"));
  request.send(body);
}

function outcomeOf(photo) {
  const said = { what: photo.message, why: photo.message };
  return text({ clear: "clear", flagged: "flagged", kept: "kept" }[photo.outcome] ?? "not-used", said);
}

function tellRest(job) {
  for (const text of job.photo.notes) note(job.row, text);
  if (!job.photo.piece) return;
  const words = text("piece", { id: job.photo.piece.split("/").pop() });
  job.row.append(Object.assign(document.createElement("a"), { href: job.photo.piece, className: "button", textContent: words }));
}

// The photo is in the log; what it shows is told when its turn has come.
function askForVerdict(job, decided) {
  setTimeout(async () => {
    const response = await fetch(job.photo.verdict, { headers: { Accept: "application/json" } }).catch(() => null);
    if (!response?.ok) return askForVerdict(job, decided);
    const told = await response.json();
    job.photo = { ...told, notes: [...new Set([...job.photo.notes, ...told.notes])] };
    say(job, told.outcome.replaceAll(" ", "-"), outcomeOf(told));
    if (told.outcome === "kept") return askForVerdict(job, decided);
    job.state = told.outcome;
    tellRest(job);
    decided();
  }, VERDICT_EVERY_MS);
}

function row(list, name) {
  const item = Object.assign(document.createElement("li"), { className: "sent" });
  item.append(
    Object.assign(document.createElement("span"), { className: "sent-name", textContent: name }),
    Object.assign(document.createElement("strong"), { className: "sent-state", textContent: text("queued") }),
  );
  list.append(item);
  return item;
}

function say(job, state, words) {
  job.row.className = `sent ${state}`;
  job.row.querySelector(".sent-state").textContent = words;
}

function note(item, text) {
  item.append(Object.assign(document.createElement("span"), { className: "sent-note", textContent: text }));
}

function dropping(form, take) {
  const box = form.querySelector("[data-drop]");
  const mark = (on) => box.classList.toggle("dropping", on);
  for (const type of ["dragenter", "dragover"]) {
    form.addEventListener(type, (event) => {
      if (!event.dataTransfer.types.includes("Files")) return;
      event.preventDefault();
      mark(true);
    });
  }
  form.addEventListener("dragleave", (event) => {
    if (!form.contains(event.relatedTarget)) mark(false);
  });
  form.addEventListener("drop", (event) => {
    if (!event.dataTransfer.files.length) return;
    event.preventDefault();
    mark(false);
    take(event.dataTransfer.files);
  });
}

// Only the pours that went into the chosen mold are offered.
function offeringPours(form) {
  const mold = form.querySelector('select[name="mold"]');
  const pours = form.querySelector("[data-pours]");
  if (!mold || !pours) return;
  const all = [...pours.options];
  function offer() {
    const kept = pours.value;
    const fitting = all.filter((option) => !option.value || !mold.value || option.dataset.molds.split(" ").includes(mold.value));
    pours.replaceChildren(...fitting);
    pours.value = fitting.some((option) => option.value === kept) ? kept : "";
  }
  mold.addEventListener("change", offer);
  offer();
}
