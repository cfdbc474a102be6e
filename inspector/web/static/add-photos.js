// Photos are sent one by one, two at a time, each with its own progress; a failed one can be sent again.

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
    send.textContent = count > 1 ? `Inspect ${count} photos` : count === 1 ? "Inspect the photo" : "Inspect the photos";
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
      complaint.textContent = "No photo was chosen. Choose or take at least one.";
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
    const counted = (state, words) => {
      const count = jobs.filter((job) => job.state === state).length;
      return count ? `, ${count} ${words}` : "";
    };
    sum.textContent = `${done.length} of ${jobs.length} done` + counted("flagged", "flagged") +
      counted("could not be used", "could not be used") + counted("failed", "not sent") + counted("kept", "kept, not inspected yet");
    if (done.length === jobs.length) {
      const link = Object.assign(document.createElement("a"), { href: location.href.split("#")[0], textContent: "Show what is there now" });
      sum.append(" ", link);
    }
  }
  function offerAgain(job) {
    const again = Object.assign(document.createElement("button"), { type: "button", textContent: "Send again" });
    again.addEventListener("click", () => {
      again.remove();
      job.state = "queued";
      say(job, "", "Queued");
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
    const mb = (bytes) => `${(bytes / 1e6).toFixed(1)} MB`;
    // Asked for by a timer so that the queue goes on from one place only.
    setTimeout(() => end("could not be used", `Could not be used: it is ${mb(job.file.size)}; the largest that is taken is ${mb(maxBytes)}. Send it smaller.`));
    return;
  }
  const body = new FormData();
  for (const [name, value] of job.fields) body.append(name, value);
  body.append("photos", job.file, job.file.name);
  const bar = Object.assign(document.createElement("progress"), { max: 1, value: 0 });
  bar.setAttribute("aria-label", `Sending ${job.file.name}`);
  job.row.append(bar);

  const request = new XMLHttpRequest();
  request.open("POST", "/photos");
  request.setRequestHeader("Accept", "application/json");
  request.responseType = "json";
  request.upload.addEventListener("progress", (event) => {
    if (!event.lengthComputable) return;
    bar.value = event.loaded / event.total;
    say(job, "", `Sending ${Math.round(bar.value * 100)} %`);
  });
  request.upload.addEventListener("load", () => {
    bar.removeAttribute("value");
    say(job, "", "Inspecting");
  });
  request.addEventListener("load", () => {
    const photo = request.response?.photos?.[0];
    if (!photo) {
      const reason = request.response?.error?.message ?? `The program answered ${request.status}.`;
      end("failed", `Not sent: ${reason}`);
      return;
    }
    if (photo.already_logged) note(job.row, "This photo was in the log already; it was not added again.");
    job.photo = photo;
    end(photo.outcome, outcomeOf(photo));
    if (photo.outcome !== "kept") tellRest(job);
  });
  for (const lost of ["error", "timeout", "abort"]) {
    request.addEventListener(lost, () => end("failed", "Not sent: the program cannot be reached. Check the Wi-Fi and send it again."));
  }
  say(job, "", "Sending");
  request.send(body);
}

function outcomeOf(photo) {
  const words = { clear: "Clear", flagged: `Flagged: ${photo.message}`, kept: `Kept. ${photo.message}` };
  return words[photo.outcome] ?? `Could not be used: ${photo.message}`;
}

function tellRest(job) {
  for (const text of job.photo.notes) note(job.row, text);
  if (!job.photo.piece) return;
  const words = `Piece ${job.photo.piece.split("/").pop()}`;
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
    Object.assign(document.createElement("strong"), { className: "sent-state", textContent: "Queued" }),
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
