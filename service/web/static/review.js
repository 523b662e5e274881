// The weekly review without a reload: rows open, are signed and taken back in place. Every link and form works without it.
(() => {
  "use strict";
  const lanes = document.getElementById("lanes");
  if (!lanes) return;
  const find = (id) => document.getElementById(id);
  const rows = () => [...lanes.querySelectorAll("[data-row]")].filter((row) => row.offsetParent !== null);
  const waiting = (row) => row.matches("[data-to-do], [data-cell]");
  const current = () => document.activeElement && document.activeElement.closest("[data-row]");
  const show = (one) => { if (one) { one.focus({ preventScroll: true }); one.scrollIntoView({ block: "nearest" }); } };
  const lastTakeBack = { form: null };

  const failed = find("said").dataset.failed;

  // Asks for a part of the page, and puts each element of it in the place of the one with its id. False: nothing came.
  const ask = async (address, form) => {
    const options = form ? { method: "POST", body: new URLSearchParams(new FormData(form)) } : {};
    const answer = await fetch(address, { ...options, headers: { "X-Part": "row" }, cache: "no-store" }).catch(() => null);
    if (!answer || answer.status >= 500) {
      find("said").textContent = failed;
      find("said").classList.add("wrong");
      return false;
    }
    const part = new DOMParser().parseFromString(await answer.text(), "text/html");
    const parts = [...part.querySelectorAll("[data-swap]")];
    // Signed out, or an error: the whole page tells which.
    if (!answer.ok || answer.redirected || !parts.length) { location.reload(); throw new Error(String(answer.status)); }
    document.dispatchEvent(new Event("neaptide-used"));
    for (const one of parts) {
      const there = find(one.id);
      if (there) there.replaceWith(document.importNode(one, true));
    }
    watch();
    return true;
  };

  const open = async (row, address) => {
    if (row.getAttribute("aria-busy")) return;
    row.setAttribute("aria-busy", "true");
    if (!(await ask(address))) { row.removeAttribute("aria-busy"); return; }
    const there = find(row.id);
    const outcome = there.querySelector("form.sign select");
    show(there);
    if (outcome) { outcome.focus({ preventScroll: true }); there.scrollIntoView({ block: "nearest" }); }
  };

  // The next one to do below this row, else the first from the top; the block of the settled counts as one.
  const after = (row) => {
    const list = rows();
    const at = list.findIndex((one) => one.id === row.id);
    const next = [...list.slice(at + 1), ...list.slice(0, at)].find((one) => one.matches("[data-to-do]"));
    return next || find("together");
  };

  const sign = async (form) => {
    const row = form.closest("[data-row]");
    if (form.dataset.sent) return;
    form.dataset.sent = "1";
    if (!(await ask(form.action, form))) { delete form.dataset.sent; return; }
    const there = find(row.id);
    const wrong = there.querySelector("form.sign");
    if (wrong) { wrong.elements.note.focus(); return; }
    lastTakeBack.form = there.querySelector("form.undo") ? there.id : null;
    show(after(there) || there);
  };

  const takeBack = async (form) => {
    const id = form.closest("[data-row]").id;
    if (!(await ask(form.action, form))) return;
    lastTakeBack.form = null;
    show(find(id));
  };

  // A message or a contact: the row stays open.
  const stays = async (form) => {
    const id = form.closest("[data-row]").id;
    if (!(await ask(form.action, form))) return;
    const wrong = find(id).querySelector("form .told.wrong");
    if (wrong) wrong.focus(); else show(find(id));
  };

  const together = async (form) => {
    const looked = lanes.querySelectorAll("[data-cell] input:checked").length;
    if (!looked) return;
    if (!(await ask(form.action, form))) return;
    const left = lanes.querySelectorAll("[data-cell]").length;
    form.hidden = !left;
    show(rows().find(waiting) || find("said"));
  };

  document.addEventListener("click", (event) => {
    const link = event.target.closest("[data-part]");
    if (!link || event.ctrlKey || event.metaKey || event.shiftKey) return;
    event.preventDefault();
    open(link.closest("[data-row]"), link.dataset.part);
  });
  // A row opens wherever it is clicked, but where text is marked or something else is meant.
  lanes.addEventListener("click", (event) => {
    const row = event.target.closest("[data-row]");
    if (!row || event.target.closest("a, button, input, select, textarea, label, .inside") || String(getSelection())) return;
    const link = row.querySelector("[data-part]");
    if (link) open(row, link.dataset.part);
  });
  document.addEventListener("submit", (event) => {
    const form = event.target;
    const does = form.matches("#lanes form.sign") ? sign : form.matches("form.undo") ? takeBack : form.matches("#together") ? together : form.matches("#lanes :is(form.message, form.contact)") ? stays : null;
    if (!does) return;
    event.preventDefault();
    does(form);
  });

  // The settled: each is ticked once it has been on screen; together they can be signed when all have been.
  const looked = new IntersectionObserver((seen) => {
    for (const one of seen) {
      if (one.intersectionRatio < 0.9) continue;
      looked.unobserve(one.target);
      one.target.dataset.looked = "1";
      one.target.querySelector("input[name=looked]").checked = true;
    }
    tell();
  }, { threshold: [0.9] });
  const tell = () => {
    const form = find("together");
    if (!form) return;
    const cells = [...lanes.querySelectorAll("[data-cell]")];
    const seen = cells.filter((cell) => cell.dataset.looked).length;
    form.querySelector("button").disabled = seen < cells.length;
    form.querySelector("[data-looked]").textContent = form.dataset.said.replace("{seen}", () => seen).replace("{all}", () => cells.length);
  };
  const watch = () => {
    for (const cell of lanes.querySelectorAll("[data-cell]:not([data-looked])")) looked.observe(cell);
    tell();
  };

  // The filter acts as one types.
  const sieve = document.querySelector(".sieve");
  let later = 0;
  const sift = async () => {
    const address = location.pathname + "?" + new URLSearchParams([...new FormData(sieve)].filter(([, value]) => value));
    const answer = await fetch(address, { cache: "no-store" });
    const part = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("lanes");
    if (!part || answer.redirected) { location.assign(address); return; }
    document.dispatchEvent(new Event("neaptide-used"));
    lanes.replaceChildren(...document.importNode(part, true).childNodes);
    history.replaceState(null, "", address);
    watch();
  };
  sieve.addEventListener("submit", (event) => { event.preventDefault(); clearTimeout(later); sift(); });
  sieve.addEventListener("input", () => { clearTimeout(later); later = setTimeout(sift, 250); });

  const move = (by) => {
    const list = [...rows().filter(waiting)];
    if (find("together") && !find("together").hidden) list.push(find("together"));
    const here = current() || document.activeElement.closest("#together");
    const places = [...lanes.querySelectorAll("[data-row], #together")];
    const at = places.indexOf(here);
    const next = by > 0 ? list.find((one) => places.indexOf(one) > at) : list.reverse().find((one) => at < 0 || places.indexOf(one) < at);
    show(next);
  };
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const row = current();
    if (event.key === "Escape" && row) {
      const shut = row.querySelector(".inside") && row.querySelector("[data-part]");
      if (shut) open(row, shut.dataset.part); else row.focus();
      return;
    }
    // Enter on the outcome signs, as it does in a field of text.
    if (event.key === "Enter" && event.target.matches("form.sign select") && event.target.value) {
      event.preventDefault();
      event.target.form.requestSubmit();
      return;
    }
    if (event.key === "Enter" && event.target.id === "together") { event.target.querySelector("button").click(); return; }
    const box = find("keys-on");
    if (event.target.closest("input:not([type=checkbox]), select, textarea") || (box && !box.checked)) return;
    const link = row && row.querySelector("[data-sign]");
    if (event.key === "n") move(1);
    else if (event.key === "p") move(-1);
    else if ((event.key === "s" || (event.key === "Enter" && event.target === row)) && row) { if (link) open(row, link.dataset.part); }
    else if (event.key === "o" && row) row.querySelector("[data-open]").click();
    else if (event.key === "z" && lastTakeBack.form) find(lastTakeBack.form).querySelector("form.undo").requestSubmit();
    else if (event.key === "/") sieve.elements.name.focus();
    else if (event.key === "?") { find("help").open = true; find("help").scrollIntoView(); find("help").querySelector("summary").focus(); }
    else return;
    event.preventDefault();
  });

  watch();
  if (location.hash.startsWith("#p-")) show(find(location.hash.slice(1)));
})();
