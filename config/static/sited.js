// Small comforts. Every page works without this file; nothing here decides anything.
"use strict";

(() => {
  const body = document.body;
  const said = document.getElementById("said");

  // The error summary takes the focus, on a page and in a part that was fetched.
  const showProblems = (where) => where.querySelector("#problems")?.focus();
  showProblems(document);
  document.addEventListener("htmx:afterSettle", (event) => {
    showProblems(event.target);
    const news = event.target.querySelector("[data-say]");
    if (news && said) said.textContent = news.textContent.trim();
  });

  // Drafts: what was typed into a form with data-draft="name" survives a closed tab. Kept for the person who typed it, on this
  // device, until the entry is saved, thrown away, or the person signs out. Never secrets or files.
  const prefix = "draft:";
  const keyOf = (name) => `${prefix}${body.dataset.user || ""}:${name}`;
  const forget = (test) => Object.keys(localStorage).filter((key) => key.startsWith(prefix) && test(key)).forEach((key) => localStorage.removeItem(key));
  const kept = (field) => field.name && field.name !== "csrfmiddlewaretoken" && !["password", "file", "submit", "button"].includes(field.type);
  const valuesOf = (form) => [...form.elements].filter(kept).filter((field) => !["radio", "checkbox"].includes(field.type) || field.checked).map((field) => [field.name, field.value]);
  const restore = (form, values) => {
    for (const field of [...form.elements].filter(kept)) {
      const mine = values.filter(([name]) => name === field.name).map(([, value]) => value);
      if (["radio", "checkbox"].includes(field.type)) field.checked = mine.includes(field.value);
      else if (mine.length) field.value = mine[0];
    }
    form.dispatchEvent(new Event("draft:restored", { bubbles: true }));
  };
  // What is thrown away takes with it what was still to be kept of the last keystrokes.
  const timers = {};
  const drafts = () => {
    document.querySelectorAll("[data-done]").forEach((mark) => localStorage.removeItem(keyOf(mark.dataset.done)));
    for (const form of document.querySelectorAll("form[data-draft]")) {
      const key = keyOf(form.dataset.draft);
      const started = JSON.stringify(valuesOf(form));
      const old = localStorage.getItem(key);
      const bar = form.querySelector("[data-draft-bar]");
      if (old && !document.getElementById("problems")) {
        restore(form, JSON.parse(old));
        if (bar) bar.hidden = false;
      }
      form.querySelector("[data-draft-drop]")?.addEventListener("click", () => {
        clearTimeout(timers[key]);
        localStorage.removeItem(key);
        restore(form, JSON.parse(started));
        bar.hidden = true;
        if (said) said.textContent = "Draft thrown away.";
      });
      form.addEventListener("input", () => {
        clearTimeout(timers[key]);
        timers[key] = setTimeout(() => localStorage.setItem(key, JSON.stringify(valuesOf(form))), 300);
      });
    }
    document.querySelectorAll("form[data-forget]").forEach((form) => form.addEventListener("submit", () => {
      Object.values(timers).forEach((timer) => clearTimeout(timer));
      forget((key) => key.startsWith(keyOf("")));
    }));
  };
  try {
    drafts();
  } catch {
    // Storage is refused or full on this device: the form still works, it only keeps no draft.
  }

  // A form with data-saves="name" is saved as one goes, each element with data-part by itself. What did not arrive yet is kept like
  // a draft, under that name, and sent again until it has arrived; the line of state says so.
  const savesAsOneGoes = (form) => {
    const key = keyOf(form.dataset.saves);
    const line = document.getElementById("saved");
    const unsent = new Map(); // id of a part -> number of its latest change
    const failed = new Set();
    const carried = new WeakMap(); // request -> number of the change that it carries
    let changes = 0, wait = 2000, again, typing;
    const fields = (part) => [...part.querySelectorAll("input, select, textarea")].filter(kept);
    const values = (part) => fields(part).filter((field) => field.type !== "radio" || field.checked).map((field) => [field.name, field.value]);
    const typed = (pairs) => JSON.stringify(pairs.filter(([name]) => !name.startsWith("was-")));
    const store = () => {
      try {
        if (!unsent.size) return localStorage.removeItem(key);
        localStorage.setItem(key, JSON.stringify([...unsent.keys()].map((id) => [id, values(document.getElementById(id))])));
      } catch {
        // Refused or full: the page itself still holds what was ticked.
      }
    };
    const say = (words) => line && line.textContent !== words && (line.textContent = words);
    const keptHere = () => `${unsent.size === 1 ? "One answer is" : `${unsent.size} answers are`} kept on this device and sent as soon as it works again.`;
    const send = (id) => document.getElementById(id)?.dispatchEvent(new Event("resend"));
    const resend = () => failed.size && send(failed.values().next().value);
    const note = (event) => {
      const part = event.target.closest("[data-part]");
      if (!part) return;
      unsent.set(part.id, ++changes);
      store();
      if (event.target.matches("textarea, [type=text]") && event.type === "input") {
        clearTimeout(typing);
        typing = setTimeout(() => send(part.id), 1000);
      }
      const words = document.getElementById("marked-words");
      const marked = form.querySelectorAll("[data-step] [type=radio]:checked:not([value=''])").length;
      if (words) words.textContent = `${marked} of ${words.dataset.of} marked`;
      const bar = document.getElementById("marked-bar");
      if (bar) bar.value = marked;
    };
    // Before htmx hears of it, so that what is sent carries the number of this change.
    form.addEventListener("input", note, true);
    form.addEventListener("change", note, true);
    form.addEventListener("htmx:beforeSend", ({ detail }) => carried.set(detail.xhr, unsent.get(detail.elt.id)));
    form.addEventListener("htmx:afterRequest", ({ detail }) => {
      const id = detail.elt.id;
      if (detail.successful) {
        if (carried.get(detail.xhr) === unsent.get(id)) unsent.delete(id);
        failed.delete(id);
        wait = 2000;
        store();
        return resend();
      }
      if (detail.xhr.getResponseHeader("HX-Redirect")) return;
      failed.add(id);
      const status = detail.xhr.status;
      if (status >= 400 && status < 500) return say(`Not saved. Load this page again: ${keptHere()}`);
      say(`${status ? "Sited does not answer" : "No connection"}: ${keptHere()}`);
      clearTimeout(again);
      again = setTimeout(resend, wait);
      wait = Math.min(wait * 2, 30000);
    });
    window.addEventListener("online", resend);
    form.addEventListener("submit", (event) => {
      if (navigator.onLine) return;
      event.preventDefault();
      say(`No connection, so this has to wait: ${keptHere()}`);
    });
    const restored = (pairs, part) => {
      if (!part || typed(pairs) === typed(values(part))) return;
      for (const field of fields(part)) {
        const mine = pairs.filter(([name]) => name === field.name).map(([, value]) => value);
        if (field.type === "radio") field.checked = mine.includes(field.value);
        else if (mine.length) field.value = mine[0];
      }
      unsent.set(part.id, ++changes);
      failed.add(part.id);
    };
    for (const [id, pairs] of JSON.parse(localStorage.getItem(key) || "[]")) restored(pairs, document.getElementById(id));
    store();
    if (failed.size) say(`From before: ${keptHere()}`);
    // Once htmx has found its attributes.
    window.addEventListener("load", resend);
  };
  document.querySelectorAll("form[data-saves]").forEach((form) => {
    try {
      savesAsOneGoes(form);
    } catch {
      // Storage is refused or holds nothing that can be read: what is ticked is still saved as one goes.
    }
  });

  // A part that is fetched shows what was said when it was asked for: what was chosen or typed in it since then stays.
  const asked = new WeakMap(); // request -> what its part said; then, what was said in the meantime
  const ticked = (field) => ["radio", "checkbox"].includes(field.type);
  const saidIn = (part) => new Map([...part.querySelectorAll("input[id], select[id], textarea[id]")].filter(kept).map((field) => [field.id, ticked(field) ? field.checked : field.value]));
  document.addEventListener("htmx:beforeRequest", ({ detail }) => asked.set(detail.xhr, saidIn(detail.target)));
  document.addEventListener("htmx:beforeSwap", ({ detail }) => {
    const before = asked.get(detail.xhr) || new Map();
    asked.set(detail.xhr, [...saidIn(detail.target)].filter(([id, value]) => before.has(id) && before.get(id) !== value));
  });
  document.addEventListener("htmx:afterSwap", ({ detail }) => {
    for (const [id, value] of asked.get(detail.xhr) || []) {
      const field = document.getElementById(id);
      if (field) field[ticked(field) ? "checked" : "value"] = value;
    }
  });

  // Two minutes before the session ends: say so, and let one press keep it.
  const dialog = document.getElementById("ending");
  if (dialog) {
    let timer;
    const wait = (seconds) => {
      clearTimeout(timer);
      timer = setTimeout(() => dialog.showModal(), Math.max(seconds - 120, 20) * 1000);
    };
    wait(Number(dialog.dataset.seconds));
    dialog.addEventListener("close", async () => {
      if (dialog.querySelector("[data-after]:not([hidden])")) return;
      const answer = await fetch(dialog.dataset.stay, { credentials: "same-origin", redirect: "manual" }).catch(() => null);
      if (answer?.ok) return wait((await answer.json()).seconds);
      dialog.querySelectorAll("[data-before]").forEach((part) => (part.hidden = true));
      dialog.querySelectorAll("[data-after]").forEach((part) => (part.hidden = false));
      dialog.showModal();
    });
  }
})();
