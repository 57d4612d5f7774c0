"use strict";
(() => {
  const $ = (id) => document.getElementById(id);
  const views = JSON.parse($("views").textContent);
  const names = JSON.parse($("names").textContent);
  const stage = $("stage"), pair = $("pair"), first = $("picture-a"), second = $("picture-b");
  const right = $("right"), edge = $("edge"), wipe = $("wipe"), state = $("state"), tagA = $("tag-a"), tagB = $("tag-b");
  const BLINK_MS = 800;
  let view = 0, mode = "divider", zoom = 1, swapped = false, timer = 0;

  const chosen = (name) => document.querySelector(`input[name=${name}]:checked`).value;

  function load(index) {
    view = index;
    const v = views[index];
    first.src = $(v.a).textContent.trim();
    second.src = $(v.b).textContent.trim();
    first.alt = `${names.a}: ${v.alt}`;
    second.alt = `${names.b}: ${v.alt}`;
    place();
    stage.scrollTo((pair.offsetWidth - stage.clientWidth) / 2, (pair.offsetHeight - stage.clientHeight) / 2);
  }

  function place() {
    const v = views[view];
    // Zoom counts device pixels per picture pixel, so that 1:1 is 1:1 on dense screens too.
    const scale = zoom / (window.devicePixelRatio || 1);
    for (const box of [pair, first, second]) {
      box.style.width = `${v.width * scale}px`;
      box.style.height = `${v.height * scale}px`;
    }
    pair.classList.toggle("sharp", Number.isInteger(zoom));
    show();
  }

  function show() {
    const v = views[view];
    const share = Number(wipe.value) / 100;
    const divider = mode === "divider";
    const onlyB = !divider && (mode === "b" || (mode === "blink" && swapped));
    const onlyA = !divider && !onlyB;
    // A box that hides what lies left of it, moved by whole device pixels: a clip path would resample the picture.
    const dense = window.devicePixelRatio || 1;
    const cut = divider ? Math.round(share * v.width * zoom) / dense : 0;
    right.style.left = `${cut}px`;
    second.style.left = `${-cut}px`;
    second.style.visibility = onlyA ? "hidden" : "visible";
    first.style.visibility = onlyB ? "hidden" : "visible";
    edge.style.display = divider ? "block" : "none";
    edge.style.left = `${cut}px`;
    tagA.style.visibility = onlyB ? "hidden" : "visible";
    tagB.style.visibility = onlyA ? "hidden" : "visible";
    wipe.disabled = !divider;
    wipe.setAttribute("aria-valuetext", `${names.a} left of ${wipe.value} %, ${names.b} right of it`);
    const shown = divider ? `${names.a} left, ${names.b} right` : onlyB ? names.b : names.a;
    state.textContent = `${v.name}, ${v.note}${zoom === 1 ? "" : `, enlarged ${zoom}:1`}. Shown: ${shown}.`;
  }

  function setMode(next) {
    mode = next;
    window.clearInterval(timer);
    timer = 0;
    if (mode === "blink") timer = window.setInterval(() => { swapped = !swapped; show(); }, BLINK_MS);
    const button = document.querySelector(`input[name=mode][value=${mode}]`);
    button.checked = true;
    show();
  }

  function swap() {
    const seen = mode === "b" || (mode === "blink" && swapped) ? "b" : "a";
    setMode(seen === "a" ? "b" : "a");
  }

  document.querySelectorAll("input[name=view]").forEach((b) => b.addEventListener("change", () => load(Number(b.value))));
  document.querySelectorAll("input[name=mode]").forEach((b) => b.addEventListener("change", () => setMode(b.value)));
  document.querySelectorAll("input[name=zoom]").forEach((b) => b.addEventListener("change", () => { zoom = Number(b.value); place(); }));
  wipe.addEventListener("input", show);

  // Keys act only while the picture has the focus.
  stage.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.key === " ") { event.preventDefault(); swap(); }
    if (event.key === "b") setMode("blink");
    if (event.key === "d") setMode("divider");
  });

  let dragging = false;
  function drag(event) {
    const box = pair.getBoundingClientRect();
    wipe.value = String(Math.min(100, Math.max(0, 100 * (event.clientX - box.left) / box.width)));
    show();
  }
  stage.addEventListener("pointerdown", (event) => {
    if (mode !== "divider" || event.pointerType === "touch" || event.button !== 0) return;
    const box = stage.getBoundingClientRect();
    if (event.clientX > box.left + stage.clientWidth || event.clientY > box.top + stage.clientHeight) return;
    dragging = true;
    stage.setPointerCapture(event.pointerId);
    drag(event);
  });
  stage.addEventListener("pointermove", (event) => { if (dragging) drag(event); });
  stage.addEventListener("pointerup", () => { dragging = false; });
  stage.addEventListener("pointercancel", () => { dragging = false; });

  const only = $("only");
  if (only) only.addEventListener("change", () => {
    document.querySelectorAll("tr.same").forEach((row) => { row.hidden = only.checked; });
  });
  window.addEventListener("resize", place);

  if (views.length) {
    load(Number(chosen("view")));
    setMode(chosen("mode"));
    Promise.all([first.decode(), second.decode()]).catch(() => {}).then(() => { document.documentElement.dataset.ready = "yes"; });
  } else {
    document.documentElement.dataset.ready = "yes";
  }
})();
