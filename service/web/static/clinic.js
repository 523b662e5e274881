// Keys, hover and tabs for the clinic's pages. Nothing here is needed: every page works without it.
(() => {
  "use strict";
  const box = document.getElementById("keys-on");

  // Single keys can be switched off, since dictation software types them by accident.
  const kept = "clinic-keys";
  const remember = (value) => { try { localStorage.setItem(kept, value); } catch { /* private window */ } };
  const recall = () => { try { return localStorage.getItem(kept); } catch { return null; } };
  if (box) {
    box.checked = recall() !== "off";
    box.addEventListener("change", () => remember(box.checked ? "on" : "off"));
  }

  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const typing = event.target.closest("input, select, textarea");
    if (typing || (box && !box.checked)) return;
    const target = document.body.querySelector("[data-key='" + CSS.escape(event.key) + "']");
    if (!target) return;
    if (target.matches("a")) target.click();
    else target.focus();
    event.preventDefault();
  });

  // A form that could not be taken says why, and is where the page opens: pictures above it may have come later.
  addEventListener("load", () => document.querySelector(".told[autofocus]")?.scrollIntoView({ block: "center" }));

  // The time line: a rule through all of its tracks, and beside it that day's row of the table.
  const figure = document.querySelector("figure.timeline");
  const table = document.querySelector("#table table");
  if (figure && table) {
    const picture = figure.querySelector("img");
    const names = [...table.tHead.rows[0].cells].map((cell) => cell.textContent);
    const rows = [...table.tBodies[0].rows].reverse();
    const rule = figure.appendChild(document.createElement("div"));
    const box = figure.appendChild(document.createElement("div"));
    rule.className = "rule-over";
    box.className = "day-box";
    rule.hidden = box.hidden = true;
    box.setAttribute("aria-hidden", "true"); // the table says it
    let put = null; // where it was taken hold of, once somebody has moved the box
    const sides = figure.dataset.sides.split(";").map((one) => one.split(" ").map(Number));

    const tell = (event) => {
      const [width, left, right] = sides.find((one) => one[0] === picture.naturalWidth) || sides[0];
      const scale = picture.clientWidth / width;
      const each = (width - left - right) * scale / Number(figure.dataset.columns);
      const from = picture.offsetLeft + left * scale;
      const index = Math.floor((event.clientX - picture.getBoundingClientRect().left - left * scale) / each);
      const row = rows[index];
      rule.hidden = box.hidden = !row;
      if (!row) return;
      const begins = document.getElementById("fortnight");
      if (begins && begins.closest("details").open && event.type === "pointerdown") {
        begins.value = row.dataset.day > begins.max ? begins.max : row.dataset.day;
      }
      rule.style.left = from + index * each + "px";
      rule.style.width = Math.max(each, 2) + "px";
      rule.style.top = picture.offsetTop + "px";
      rule.style.height = picture.clientHeight + "px";
      box.textContent = "";
      [...row.cells].forEach((cell, place) => {
        const value = cell.textContent.trim();
        if (!value || value === "–") return;
        const line = box.appendChild(document.createElement(place ? "p" : "b"));
        line.textContent = !place || place === names.length - 1 ? value : names[place] + " " + value;
      });
      if (put) return;
      // On the other half from the pointer, so that it does not hide what it tells of.
      const isRight = index * each > (width - left - right) * scale / 2;
      box.style.left = (isRight ? from + 4 : Math.max(0, picture.offsetLeft + (width - right) * scale - box.offsetWidth - 4)) + "px";
      box.style.top = picture.offsetTop + 34 + "px";
    };
    const leave = () => { rule.hidden = box.hidden = true; };
    picture.addEventListener("pointermove", tell);
    picture.addEventListener("pointerdown", tell);
    picture.addEventListener("pointerleave", (event) => {
      if (event.pointerType === "mouse" && !box.contains(event.relatedTarget)) leave();
    });
    document.addEventListener("pointerdown", (event) => {
      if (event.target !== picture && !box.contains(event.target)) leave();
    });
    // Drawn aside it stays where it was put.
    box.addEventListener("pointerdown", (event) => {
      box.setPointerCapture(event.pointerId);
      put = { x: event.clientX - box.offsetLeft, y: event.clientY - box.offsetTop };
    });
    box.addEventListener("pointermove", (event) => {
      if (!box.hasPointerCapture(event.pointerId)) return;
      box.style.left = event.clientX - put.x + "px";
      box.style.top = event.clientY - put.y + "px";
    });
  }

  // History: one part at a time. Without script the parts stand one below the other.
  const tabs = document.querySelector("[data-tabs]");
  if (tabs) {
    const parts = [...document.querySelector("[data-panels]").children];
    const partOf = (id) => parts.find((part) => part.contains(document.getElementById(id)));
    const show = (part) => {
      parts.forEach((one) => { one.hidden = one !== part; });
      tabs.querySelectorAll("a").forEach((link) => {
        if (partOf(link.hash.slice(1)) === part) link.setAttribute("aria-current", "true");
        else link.removeAttribute("aria-current");
      });
    };
    const follow = () => {
      const part = location.hash && partOf(location.hash.slice(1));
      if (!part) return;
      show(part);
      document.getElementById(location.hash.slice(1)).scrollIntoView();
    };
    show(parts[0]);
    follow();
    window.addEventListener("hashchange", follow);
    tabs.addEventListener("click", (event) => {
      const link = event.target.closest("a");
      if (!link) return;
      event.preventDefault();
      show(partOf(link.hash.slice(1)));
    });
  }
})();
