"use strict";
// What the page does by itself: keys in the drawing, signs of life to the program behind it, and what is told when that has gone.
(() => {
  const asked = () => new URLSearchParams(location.search);
  const sheet = () => document.getElementById("sheet");
  const tree = () => document.getElementById("plumbing");
  const handles = () => [...tree().querySelectorAll("[role=treeitem]")];

  // The drawing: one stop for Tab; arrows lead from handle to handle as they stand, Enter chooses.
  function focusOn(handle) {
    for (const one of handles()) one.setAttribute("tabindex", one === handle ? "0" : "-1");
    handle.focus();
    handle.querySelector(".touch").scrollIntoView({block: "nearest", inline: "nearest"});
  }

  const middle = (handle) => [Number(handle.dataset.x), Number(handle.dataset.y)];

  // The nearest handle to one side; what lies straight ahead counts as nearer.
  function beside(handle, dx, dy) {
    const [x, y] = middle(handle);
    let best = null, least = Infinity;
    for (const one of handles()) {
      if (one === handle) continue;
      const [ox, oy] = middle(one);
      const ahead = (ox - x) * dx + (oy - y) * dy, aside = Math.abs((ox - x) * dy) + Math.abs((oy - y) * dx);
      if (ahead < 4 || (dx && aside > 4 * ahead + 200) || (dy && aside > ahead + 12)) continue;
      const cost = ahead + 3 * aside;
      if (cost < least) { least = cost; best = one; }
    }
    return best;
  }

  const ways = {ArrowUp: [0, -1], ArrowDown: [0, 1], ArrowLeft: [-1, 0], ArrowRight: [1, 0]};

  document.addEventListener("keydown", (event) => {
    const handle = event.target.closest ? event.target.closest("[role=treeitem]") : null;
    if (!handle || event.ctrlKey || event.altKey || event.metaKey) return;
    let next = null;
    if (ways[event.key]) next = beside(handle, ...ways[event.key]) || handle;
    else if (event.key === "Home") next = handles()[0];
    else if (event.key === "End") next = handles().at(-1);
    else if (event.key === "Enter" || event.key === " ") { event.preventDefault(); handle.dispatchEvent(new MouseEvent("click", {bubbles: false})); return; }
    else return;
    event.preventDefault();
    focusOn(next);
  });

  // The keys that every editor has: save, undo, redo. In a field, undo is the browser's own.
  document.addEventListener("keydown", (event) => {
    if (!(event.ctrlKey || event.metaKey) || event.altKey) return;
    const key = event.key.toLowerCase(), inField = event.target.matches && event.target.matches("input, textarea, select");
    const wanted = key === "s" ? "save" : inField ? "" : key === "y" || (key === "z" && event.shiftKey) ? "redo" : key === "z" ? "undo" : "";
    if (!wanted) return;
    event.preventDefault();
    document.getElementById(wanted).click();
  });

  function choose(handle) {
    for (const one of handles()) one.setAttribute("aria-selected", one === handle ? "true" : "false");
    const address = asked();
    address.set("at", handle.id);
    document.querySelector("#state [name=at]").value = handle.id;
    history.replaceState(null, "", "?" + address);
  }

  document.addEventListener("click", (event) => {
    const link = event.target.closest("[data-choose]");
    if (link && tree()) {
      event.preventDefault();
      const handle = document.getElementById(link.dataset.choose);
      focusOn(handle);
      handle.dispatchEvent(new MouseEvent("click", {bubbles: false}));
      return;
    }
  });

  // The drawing larger, smaller, or as a whole; it stays so while the page is worked on.
  let zoom = 1;
  function resize() {
    const drawing = tree();
    if (!drawing || zoom === 1) return;
    const [, , width, height] = drawing.getAttribute("viewBox").split(" ").map(Number);
    const room = document.getElementById("drawing");
    const scale = zoom === "whole" ? Math.min(room.clientWidth / width, room.clientHeight / height) : 1.35 * zoom;
    drawing.setAttribute("width", width * scale);
    drawing.setAttribute("height", height * scale);
  }
  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-zoom]");
    if (!button) return;
    const wanted = button.dataset.zoom;
    zoom = wanted === "whole" ? "whole" : Math.min(3, Math.max(0.4, (zoom === "whole" ? 1 : zoom) * Number(wanted)));
    if (zoom === 1) zoom = 1.0001;
    resize();
  });

  // At first the chosen handle is in sight, or the first run: on a small screen the drawing begins far from both.
  function show() {
    const drawing = document.getElementById("drawing");
    if (!drawing) return;
    const touch = (handle) => handle && handle.querySelector(".touch");
    const shown = tree() ? touch(tree().querySelector("[aria-selected=true]") || tree().querySelector("#run-0")) : drawing.querySelector(".over-sign.bad");
    if (!shown) return;
    const box = shown.getBoundingClientRect(), frame = drawing.getBoundingClientRect();
    drawing.scrollBy(box.left - frame.left - frame.width / 3, box.top - frame.top - frame.height / 2);
  }
  show();

  // A click on a part is none on its run.
  document.addEventListener("click", (event) => {
    const handle = event.target.closest ? event.target.closest("[role=treeitem]") : null;
    if (!handle) return;
    if (event.isTrusted) { event.stopImmediatePropagation(); handle.dispatchEvent(new MouseEvent("click", {bubbles: false})); handle.focus(); return; }
    choose(handle);
  }, true);

  // Sliders: the flows follow while one is dragged; let go, it is set in the file.
  document.addEventListener("input", (event) => {
    if (event.target.type === "range") event.target.parentNode.querySelector("output").textContent = event.target.value + " %";
  });
  let waiting = 0, held = null;  // a slider that keys move is let go once they rest
  document.addEventListener("change", (event) => {
    if (event.target.type !== "range") return;
    held = event.target;
    clearTimeout(waiting);
    waiting = setTimeout(() => { const slider = held; held = null; put(slider); }, 400);
  });
  function put(slider) {
    if (slider.value === slider.getAttribute("value")) return;
    const values = Object.fromEntries(new FormData(document.getElementById("state")));
    if (slider.dataset.pump) Object.assign(values, {do: "speed", pump: slider.dataset.pump, speed: slider.value});
    else Object.assign(values, {do: "opening", at: slider.dataset.at, opening: slider.value});
    htmx.ajax("POST", "/edit", {source: "#sheet", target: "#sheet", swap: "outerMorph", values});
  }
  function settle() {
    for (const slider of document.querySelectorAll("input[type=range]")) {
      if (slider === held || slider.matches(":active")) continue;
      slider.value = slider.getAttribute("value");
      slider.parentNode.querySelector("output").textContent = slider.value + " %";
    }
  }

  // What is typed and was not sent yet stays where it stands, whatever comes from the program meanwhile.
  const typed = new Map();  // each such field, and what stands in it
  const written = (field) => field.type === "checkbox" || field.type === "radio" ? field.checked : field.value;
  const write = (field, value) => { if (field.type === "checkbox" || field.type === "radio") field.checked = value; else field.value = value; };
  const hidden = (form) => [...form.querySelectorAll("input[type=hidden]")].filter((one) => one.name !== "at").map((one) => one.name + "=" + one.value);
  const sign = (field) => JSON.stringify([field.form && field.form.getAttribute("hx-post"), field.form && hidden(field.form), field.name]);
  const alike = (its) => [...sheet().querySelectorAll("input:not([type=hidden]), select, textarea")].filter((one) => sign(one) === its);
  document.addEventListener("input", (event) => { if (event.target.type !== "range" && event.target.name) typed.set(event.target, written(event.target)); });
  document.addEventListener("submit", () => typed.clear());
  let kept = [];
  function keep() {
    kept = [...typed].map(([field, value]) => ({field, value, sign: sign(field), place: alike(sign(field)).indexOf(field), held: field === document.activeElement}));
  }
  function restore() {
    for (const {field, value, sign, place, held} of kept) {
      const now = field.isConnected ? field : alike(sign)[place];
      typed.delete(field);
      if (!now || now.type === "file") continue;
      if (written(now) !== value) write(now, value);
      typed.set(now, value);
      if (held && now !== document.activeElement) now.focus();
    }
    kept = [];
  }

  // What the page shows is asked for anew, in place.
  function refresh() {
    htmx.ajax("GET", "/?" + asked(), {target: "#sheet", swap: "outerMorph"});
  }
  document.addEventListener("done", refresh);
  document.addEventListener("page:stale", () => {
    if (!typed.size) refresh();
    else document.getElementById("stale").hidden = false;
  });
  const about = (event) => event.detail && event.detail.ctx && event.detail.ctx.request ? String(event.detail.ctx.request.action) : "";
  let turns = 0, awaited = 0;  // how often the page was asked for or shown anew; answers that are still to come
  document.addEventListener("htmx:before:swap", (event) => {
    turns += 1;
    if (typed.size && about(event).startsWith("/?")) event.preventDefault();  // typed since it was asked for: the next sign of life tells
    else keep();
  });
  document.addEventListener("htmx:after:swap", (event) => {
    resize();
    restore();
    if (about(event).includes("/try")) return;
    settle();
    const at = document.querySelector("#state [name=at]"), address = asked();
    if (at && at.value !== (address.get("at") || "")) { address.set("at", at.value); history.replaceState(null, "", "?" + address); }
    const said = document.querySelector("#refused, #said p"), words = said ? said.textContent : "";
    if (said && words !== told) said.scrollIntoView({block: "nearest"});  // what was not done is told above what was sent
    told = words;
  });

  // A quick hand: each form goes out after the one before it, and tells which page it is of.
  document.addEventListener("htmx:before:request", (event) => {
    event.detail.ctx.request.headers["X-Window"] = document.body.dataset.window;
    turns += 1;
    if (!about(event).includes("/progress")) awaited += 1;
  });
  document.addEventListener("htmx:finally:request", (event) => { if (!about(event).includes("/progress")) awaited -= 1; });

  let told = "";

  // Plans: before or after, the points of the chart, print, a file that is dropped.
  document.addEventListener("click", (event) => {
    const shown = event.target.closest("[data-show]"), point = event.target.closest("[data-submit]");
    if (shown) {
      for (const one of document.querySelectorAll("[data-show]")) {
        const is = one === shown;
        one.setAttribute("aria-pressed", String(is));
        document.getElementById(one.dataset.show).hidden = !is;
      }
    }
    if (point) document.getElementById(point.dataset.submit).click();
    if (event.target.closest("[data-print]")) print();
    if (event.target.closest("[data-refresh]")) { typed.clear(); refresh(); }
  });
  document.addEventListener("keydown", (event) => {
    const point = event.target.closest ? event.target.closest("[data-submit]") : null;
    if (point && (event.key === "Enter" || event.key === " ")) { event.preventDefault(); document.getElementById(point.dataset.submit).click(); }
  });
  for (const kind of ["dragover", "dragleave", "drop"]) {
    document.addEventListener(kind, (event) => {
      const place = event.target.closest ? event.target.closest(".drop") : null;
      if (kind !== "dragleave") event.preventDefault();  // a file that misses its place must not replace the page
      if (!place) return;
      place.classList.toggle("over", kind === "dragover");
      if (kind === "drop" && event.dataTransfer.files.length) {
        const field = place.querySelector("input[type=file]");
        field.files = event.dataTransfer.files;
        place.requestSubmit();
      }
    });
  }

  // The program has gone: what was not saved is shown, to be copied or saved as a file.
  function tellGone() {
    const unsaved = document.getElementById("unsaved");
    document.getElementById("gone-unsaved").hidden = !unsaved;
    if (unsaved) document.getElementById("gone-text").value = unsaved.value;
    document.getElementById("gone").hidden = false;
  }
  document.getElementById("gone-save").addEventListener("click", () => {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([document.getElementById("gone-text").value], {type: "text/yaml"}));
    link.download = "unsaved.yaml";
    link.click();
    URL.revokeObjectURL(link.href);
  });

  // Signs of life. What the program answers tells whether the page shows what there is.
  let fails = 0;
  async function alive() {
    const turn = turns;
    try {
      const answer = await fetch("/alive", {method: "POST", body: new URLSearchParams({window: document.body.dataset.window})});
      if (!answer.ok) throw new Error(String(answer.status));
      fails = 0;
      document.getElementById("gone").hidden = true;
      const stamp = await answer.text();
      if (turn === turns && !awaited && sheet().dataset.stamp !== stamp) document.dispatchEvent(new CustomEvent("page:stale"));
    } catch (error) {
      fails += 1;
      if (fails >= 2) tellGone();
    }
  }
  setTimeout(() => document.body.removeAttribute("inert"));  // htmx is ready by now: before that a form would leave the page
  setInterval(alive, 2000);
  alive();
  addEventListener("pagehide", () => navigator.sendBeacon("/closed", new URLSearchParams({window: document.body.dataset.window})));
  addEventListener("pageshow", (event) => { if (event.persisted) alive(); });
})();
