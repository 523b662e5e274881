// What is typed into a form is kept on the server, and is there again after signing in. Nothing of it stays in the browser.
(() => {
  "use strict";
  const words = document.getElementById("draft-words");
  if (!words) return;
  const address = words.dataset.keep;
  const forms = () => document.querySelectorAll("form[data-draft]");
  const timers = new Map(); // form to what will keep it
  const sending = new Map(); // form to the call that keeps it now
  let kept = null; // by form, as the server has it

  const placeOf = (form) => {
    const corrects = form.elements.corrects;
    const path = new URL(form.action).pathname;
    return corrects && corrects.type === "hidden" && corrects.value ? path + "#" + corrects.value : path;
  };
  const fields = (form) => [...form.elements].filter((one) =>
    one.name && one.matches("textarea, select, input:not([type=hidden], [type=checkbox], [type=radio], [type=password], [type=file])"));
  const begun = (one) => one.matches("select") ? ([...one.options].find((option) => option.defaultSelected) || one.options[0] || one).value : one.defaultValue;

  const keep = async (form) => {
    clearTimeout(timers.get(form));
    timers.delete(form);
    const all = fields(form);
    const typed = all.some((one) => one.value !== begun(one)) ? Object.fromEntries(all.map((one) => [one.name, one.value])) : {};
    const { stood } = form.elements; // what the form began with: a draft of then must not pass for one of now
    if (stood && Object.keys(typed).length) typed.stood = stood.value;
    const body = new URLSearchParams({ form: placeOf(form), typed: JSON.stringify(typed), csrf_token: form.elements.csrf_token.value });
    const call = new AbortController();
    sending.set(form, call);
    await fetch(address, { method: "POST", body, signal: call.signal, keepalive: true, redirect: "manual" }).catch(() => null);
    sending.delete(form);
  };
  const keepAll = () => Promise.all([...timers.keys()].map(keep));

  const restore = (form) => {
    const typed = kept && kept[placeOf(form)];
    if (!typed || form.dataset.restored) return;
    const back = fields(form).filter((one) => one.name in typed && one.value === begun(one) && one.value !== typed[one.name]);
    if (!back.length) return;
    form.dataset.restored = "1";
    const { stood } = form.elements, stands = stood && stood.value;
    if (stood && typed.stood) stood.value = typed.stood;
    for (const one of back) one.value = typed[one.name];
    const shut = form.closest("details");
    if (shut) shut.open = true;
    const told = form.appendChild(document.createElement("p"));
    told.className = "quiet draft";
    told.setAttribute("role", "status");
    told.textContent = words.textContent + " ";
    const away = told.appendChild(document.createElement("button"));
    away.type = "button";
    away.className = "plain";
    away.textContent = words.dataset.discard;
    away.addEventListener("click", () => {
      for (const one of back) one.value = begun(one);
      if (stood) stood.value = stands;
      delete kept[placeOf(form)];
      told.remove();
      keep(form);
      back[0].focus();
    });
  };

  document.addEventListener("input", (event) => {
    const form = event.target.form;
    if (!form || !form.matches("[data-draft]")) return;
    clearTimeout(timers.get(form));
    timers.set(form, setTimeout(() => keep(form), 1500));
  });
  document.addEventListener("submit", (event) => {
    // The server lets go of it with the form that it takes.
    clearTimeout(timers.get(event.target));
    timers.delete(event.target);
    if (sending.has(event.target)) sending.get(event.target).abort();
    if (kept && event.target.matches("[data-draft]")) delete kept[placeOf(event.target)];
  }, true);
  // Before the page goes, or the session ends: what was typed a moment ago.
  addEventListener("pagehide", keepAll);
  document.addEventListener("neaptide-ending", (event) => { event.detail.wait.push(keepAll()); });

  const look = () => forms().forEach(restore);
  const begin = async () => {
    if (document.querySelector(".told.wrong")) return; // a form that was refused holds what was sent, which is newer
    const answer = await fetch(address, { cache: "no-store", redirect: "manual" }).catch(() => null);
    if (!answer || !answer.ok) return;
    kept = await answer.json();
    if (!Object.keys(kept).length) return;
    look();
    // A row that opens later has its form then.
    const rows = document.getElementById("lanes");
    if (rows) new MutationObserver(look).observe(rows, { childList: true, subtree: true });
  };
  begin();
})();
