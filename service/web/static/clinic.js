// Keys and hover for the clinic's pages. Nothing here is needed: every page works without it.
(() => {
  "use strict";
  const rows = [...document.querySelectorAll("[data-row]")];
  const shown = () => rows.filter((row) => row.offsetParent !== null);
  const box = document.getElementById("keys-on");

  // Single keys can be switched off, since dictation software types them by accident.
  const kept = "clinic-keys";
  const remember = (value) => { try { localStorage.setItem(kept, value); } catch { /* private window */ } };
  const recall = () => { try { return localStorage.getItem(kept); } catch { return null; } };
  if (box) {
    box.checked = recall() !== "off";
    box.addEventListener("change", () => remember(box.checked ? "on" : "off"));
  }

  const current = () => document.activeElement && document.activeElement.closest("[data-row]");
  const move = (by) => {
    const list = shown();
    if (!list.length) return;
    const at = list.indexOf(current());
    const next = at < 0 ? (by > 0 ? 0 : list.length - 1) : Math.min(Math.max(at + by, 0), list.length - 1);
    list[next].focus();
    list[next].scrollIntoView({ block: "nearest" });
  };

  const pattern = document.getElementById("sign-here");
  const openForm = (row) => {
    const link = row.querySelector("[data-sign]");
    if (!link || !pattern) return;
    let form = row.querySelector("form.sign");
    if (!form) {
      form = pattern.content.firstElementChild.cloneNode(true);
      const url = new URL(link.href);
      form.action = url.pathname + "/sign";
      const name = row.querySelector("[data-open]").textContent;
      form.setAttribute("aria-label", pattern.dataset.label.replace("{name}", () => name));
      for (const label of form.querySelectorAll("label")) {
        const field = form.querySelector("#" + label.htmlFor);
        field.id = label.htmlFor + "-" + row.id;
        label.htmlFor = field.id;
      }
      const list = shown();
      const next = list[list.indexOf(row) + 1];
      const after = document.createElement("input");
      after.type = "hidden";
      after.name = "after";
      after.value = next ? next.id.slice(2) : "";
      const seen = document.createElement("input");
      seen.type = "hidden";
      seen.name = "view";
      seen.value = location.search;
      form.append(after, seen);
      row.append(form);
    }
    form.querySelector("select").focus();
  };
  document.addEventListener("click", (event) => {
    const link = event.target.closest("[data-sign]");
    const row = link && link.closest("[data-row]");
    if (!row || event.ctrlKey || event.metaKey || event.shiftKey) return;
    event.preventDefault();
    openForm(row);
  });

  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const typing = event.target.closest("input, select, textarea");
    if (event.key === "Escape" && current()) {
      const row = current();
      const form = row.querySelector("form.sign");
      if (form && form.contains(event.target)) form.remove();
      row.focus();
      return;
    }
    if (typing || (box && !box.checked)) return;
    const row = current();
    if (event.key === "n" && rows.length) move(1);
    else if (event.key === "p" && rows.length) move(-1);
    else if (event.key === "s" && row) openForm(row);
    else if (event.key === "o" && row) row.querySelector("[data-open]").click();
    else if (event.key === "/" && document.querySelector(".sieve input")) document.querySelector(".sieve input").focus();
    else if (document.body.querySelector("[data-key='" + CSS.escape(event.key) + "']")) {
      const target = document.body.querySelector("[data-key='" + CSS.escape(event.key) + "']");
      if (target.matches("a")) target.click();
      else target.focus();
    } else return;
    event.preventDefault();
  });

  // After a signature the address names the next row: put the focus there.
  if (location.hash.startsWith("#p-")) {
    const row = document.getElementById(location.hash.slice(1));
    if (row) row.focus();
  }

  // The time line: the picture stays until the live drawing is ready, and stays for good when it is not.
  const figure = document.querySelector("[data-timeline]");
  if (figure && window.vegaEmbed && figure.clientWidth >= 560) {
    const picture = figure.querySelector("picture");
    const live = document.createElement("div");
    live.className = "live";
    const width = Math.max(220, Math.floor(figure.clientWidth) - 225);
    fetch(figure.dataset.timeline + "&width=" + width)
      .then((answer) => { if (!answer.ok) throw new Error(answer.status); return answer.json(); })
      .then((spec) => {
        figure.insertBefore(live, picture);
        return window.vegaEmbed(live, spec, {
          ast: true, actions: false, renderer: "svg", mode: "vega-lite",
          defaultStyle: false, tooltip: { disableDefaultStyle: true },
        });
      })
      .then(() => {
        live.setAttribute("aria-hidden", "true"); // the sentence and the table say it
        picture.classList.add("unseen");
      })
      .catch(() => live.remove());
  }
})();
