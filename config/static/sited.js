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
        localStorage.removeItem(key);
        restore(form, JSON.parse(started));
        bar.hidden = true;
        if (said) said.textContent = "Draft thrown away.";
      });
      let timer;
      form.addEventListener("input", () => {
        clearTimeout(timer);
        timer = setTimeout(() => localStorage.setItem(key, JSON.stringify(valuesOf(form))), 300);
      });
    }
    document.querySelectorAll("form[data-forget]").forEach((form) => form.addEventListener("submit", () => forget((key) => key.startsWith(keyOf("")))));
  };
  try {
    drafts();
  } catch {
    // Storage is refused or full on this device: the form still works, it only keeps no draft.
  }

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
