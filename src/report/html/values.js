"use strict";
for (const box of document.querySelectorAll(".bandbox")) {
  const region = box.parentElement;
  const bands = [...box.querySelectorAll("thead th")].slice(1).map((head) => head.textContent);
  const rows = [...box.querySelectorAll("tbody tr")];
  const [cursor, told] = [document.createElement("div"), document.createElement("output")];
  [cursor.className, told.className, cursor.hidden] = ["cursor", "told", true];
  box.append(cursor);
  region.after(told);
  const axis = 8.383;
  const share = (100 - axis) / bands.length;
  let at = -1;
  const say = (row) => {
    const name = row.cells[0].innerText.replace(/\s+/g, " ").trim();
    return `${name}: ${row.cells[at + 1].textContent}`;
  };
  const show = (band) => {
    at = band;
    cursor.hidden = at < 0;
    cursor.style.left = `${axis + at * share}%`;
    cursor.style.width = `${share}%`;
    told.textContent = at < 0 ? "" : `${bands[at]} Hz. ${rows.map(say).join("; ")}`;
  };
  box.addEventListener("pointermove", (event) => {
    const { left, width } = box.getBoundingClientRect();
    const band = Math.floor(((100 * (event.clientX - left)) / width - axis) / share);
    show(band < bands.length ? Math.max(band, -1) : -1);
  });
  box.addEventListener("pointerleave", () => show(-1));
  region.addEventListener("blur", () => show(-1));
  region.addEventListener("keydown", (event) => {
    if (event.key === "Escape") show(-1);
    const step = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    if (!step) return;
    event.preventDefault();
    show(Math.min(Math.max(at + step, 0), bands.length - 1));
    cursor.scrollIntoView({ block: "nearest", inline: "nearest" });
  });
}
for (const box of document.querySelectorAll(".polarbox")) {
  const region = box.parentElement;
  const dots = [...box.querySelectorAll("[data-at]")];
  const angles = [...new Set(dots.map((dot) => Number(dot.dataset.at)))].sort((a, b) => a - b);
  const told = document.createElement("output");
  told.className = "told";
  region.after(told);
  let at = -1;
  const show = (position) => {
    at = position;
    const here = dots.filter((dot) => Number(dot.dataset.at) === angles[at]);
    for (const dot of dots) dot.classList.toggle("at", here.includes(dot));
    const each = here.map((dot) => dot.dataset.told).join("; ");
    told.textContent = at < 0 ? "" : `${angles[at]}°. ${each}`.replace("-", "\u2212");
  };
  box.addEventListener("pointermove", (event) => {
    const rim = event.target.closest(".polar")?.querySelector(".rim").getBoundingClientRect();
    if (!rim) return show(-1);
    const [x, y] = [rim.x + rim.width / 2, rim.y + rim.height / 2];
    const angle = (180 / Math.PI) * Math.atan2(event.clientX - x, y - event.clientY);
    const off = (a) => Math.abs(((a - angle + 540) % 360) - 180);
    show(angles.indexOf(angles.reduce((a, b) => (off(b) < off(a) ? b : a))));
  });
  box.addEventListener("pointerleave", () => show(-1));
  region.addEventListener("blur", () => show(-1));
  region.addEventListener("keydown", (event) => {
    if (event.key === "Escape") show(-1);
    const step = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    if (!step) return;
    event.preventDefault();
    show(at < 0 && step < 0 ? angles.length - 1 : (at + step + angles.length) % angles.length);
  });
}
