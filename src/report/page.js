// What the pages can do beyond being read: tables sort and copy, curves are read at any time. Without it all of them read the same.

const make = (name, attributes, text) => {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (text !== undefined) element.textContent = text;
  return element;
};
const said = make("p", { role: "status", class: "said" });
document.querySelector("main").append(said);

// Text of a cell as people read it; spaces as they are shown.
const cellText = (cell) => cell.textContent.replace(/\s+/g, " ").trim();

// What a cell sorts by: its own key, else its leading number, else nothing, which comes last.
const key = (cell, numeric) => {
  const text = cell.dataset.sort ?? cellText(cell);
  if (!numeric) return text;
  const found = text.replace(/(\d)[\s\u202f\u00a0,](?=\d{3})/g, "$1").match(/([−+-]?)[^\d−+-]*?(\d+(?:\.\d+)?)/);
  return found ? Number((found[1] === "−" || found[1] === "-" ? "-" : "") + found[2]) : null;
};

// Rows in which every cell stands for one row only, so that they can change places.
const single = (rows) => {
  const width = Math.max(...rows.map((row) => [...row.cells].reduce((sum, cell) => sum + cell.colSpan, 0)));
  const held = Array(width).fill(null);
  return rows.map((row) => {
    const made = row.cloneNode(false);
    const own = [...row.cells];
    for (let place = 0; place < width; place += 1) {
      if (held[place] && held[place].left > 0) {
        held[place].left -= 1;
        made.append(held[place].cell.cloneNode(true));
        continue;
      }
      const cell = own.shift();
      if (!cell) continue;
      const copy = cell.cloneNode(true);
      copy.removeAttribute("rowspan");
      if (copy.getAttribute("scope") === "rowgroup") copy.setAttribute("scope", "row");
      held[place] = { cell: copy, left: cell.rowSpan - 1 };
      made.append(copy);
    }
    return made;
  });
};

const sorting = (table) => {
  const body = table.tBodies[0];
  if (!body || body.rows.length < 2) return;
  const first = [...body.rows];
  const heads = [...table.tHead.rows[0].cells];
  heads.forEach((head, column) => {
    const numeric = head.classList.contains("n");
    const button = make("button", { type: "button", class: "sort", title: "Sort by this column" });
    button.append(...head.childNodes);
    head.append(button);
    button.addEventListener("click", () => {
      const now = head.getAttribute("aria-sort");
      heads.forEach((other) => other.removeAttribute("aria-sort"));
      // Up, down, and back to the order that the table came in.
      const next = now === "ascending" ? "descending" : now === "descending" ? null : "ascending";
      const name = cellText(head);
      if (!next) {
        body.replaceChildren(...first);
        said.textContent = `${name}: as it came`;
        return;
      }
      head.setAttribute("aria-sort", next);
      const turn = next === "ascending" ? 1 : -1;
      const rows = single(first).map((row) => ({ row, key: key(row.cells[column], numeric) }));
      rows.sort((a, b) => {
        if (a.key === null || b.key === null) return (a.key === null) - (b.key === null);
        return turn * (numeric ? a.key - b.key : a.key.localeCompare(b.key));
      });
      body.replaceChildren(...rows.map((entry) => entry.row));
      said.textContent = `Sorted by ${name}, ${next}`;
    });
  });
};

// A cell that a spreadsheet would run as a formula gets an apostrophe in front.
const defused = (text) => (/^[=+@\-\t]/.test(text) && Number.isNaN(Number(text)) ? `'${text}` : text);

const copying = (table) => {
  const button = make("button", { type: "button", class: "copy" }, "Copy table");
  const caption = cellText(table.caption);
  button.setAttribute("aria-label", `Copy table: ${caption}`);
  (table.closest(".scroll") ?? table).before(button);
  button.addEventListener("click", async () => {
    const rows = [...table.tHead.rows, ...single([...table.tBodies[0].rows])];
    const text = rows.map((row) => [...row.cells].map((cell) => defused(cellText(cell))).join("\t")).join("\n");
    try {
      await navigator.clipboard.writeText(text);
    } catch {
      const area = make("textarea", { class: "away", "aria-hidden": "true" });
      area.value = text;
      document.body.append(area);
      area.select();
      document.execCommand("copy");
      area.remove();
      button.focus();
    }
    said.textContent = `Copied ${rows.length - 1} rows`;
  });
};

const MONTH = 30;
const YEAR = 365.25;
const drawn = (name, attributes) => {
  const element = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  return element;
};
const last = (entries, day) => entries.findLast((entry) => entry[0] <= day);

// Reads the levels of a chart on a day: by pointing at it, or by the slider below it.
const reading = (figure, chart) => {
  const picture = figure.querySelector("svg");
  const lines = [...picture.querySelectorAll("g.curve")].map((group) => group.querySelector("polyline").points);
  if (lines.length !== chart.levels.length || lines.length === 0) return;
  const start = lines[0][0];
  // Every curve begins on day 0 and ends on the last day drawn: that gives the axis.
  const longest = chart.levels.reduce((best, level, place) => (level.last > chart.levels[best].last ? place : best), 0);
  const ends = lines.map((points) => points[points.length - 1]);
  const most = chart.levels[longest].last;
  const scale = (ends[longest].x - start.x) / most;
  const low = Math.max(...lines.flatMap((points) => [...points].map((point) => point.y)));
  const guide = drawn("line", { class: "guide", y1: start.y, y2: Math.max(low, start.y + 380), visibility: "hidden" });
  const dots = chart.levels.map(() => drawn("circle", { class: "dot", r: 6, visibility: "hidden" }));
  picture.append(guide, ...dots);

  const box = make("div", { class: "reading" });
  const slider = make("input", { type: "range", min: 0, max: most, step: 1, value: 0 });
  const label = make("label", {}, "Read the curves at a time: ");
  const time = make("output", {}, "point at the chart, or move this");
  label.append(slider);
  const list = make("ul", {});
  box.append(label, time, list);
  figure.after(box);

  const height = (points, x) => {
    let y = points[0].y;
    for (const point of points) {
      if (point.x > x + 0.051) break;
      y = point.y;
    }
    return y;
  };
  const show = () => {
    const day = Number(slider.value);
    const x = start.x + day * scale;
    const told = `${(day / YEAR).toFixed(2)} years (day ${day})`;
    guide.setAttribute("x1", x);
    guide.setAttribute("x2", x);
    guide.setAttribute("visibility", "visible");
    const texts = chart.levels.map((level, place) => {
      const inside = day <= level.last;
      dots[place].setAttribute("visibility", inside ? "visible" : "hidden");
      if (!inside) return `${level.label}: not drawn, too few at risk`;
      dots[place].setAttribute("cx", x);
      dots[place].setAttribute("cy", height(lines[place], x));
      const [, survival, lower, upper] = last(level.points, day);
      const limits = lower === null ? "no interval yet" : `${chart.interval} ${lower} to ${upper} %`;
      const risk = last(level.at_risk, day);
      const behind = risk ? `; ${risk[1]} at risk at ${(risk[0] / YEAR).toFixed(2)} years` : "";
      return `${level.label}: ${survival} % (${limits})${behind}`;
    });
    time.textContent = told;
    list.replaceChildren(...texts.map((text) => make("li", {}, text)));
    slider.setAttribute("aria-valuetext", `${told}. ${texts.join(". ")}`);
  };
  slider.setAttribute("aria-valuetext", "not read yet");
  slider.addEventListener("input", show);
  slider.addEventListener("keydown", (event) => {
    const step = {
      ArrowRight: MONTH, ArrowUp: MONTH, ArrowLeft: -MONTH, ArrowDown: -MONTH, PageUp: 365, PageDown: -365,
    }[event.key];
    if (!step) return;
    event.preventDefault();
    slider.value = String(Math.min(most, Math.max(0, Number(slider.value) + step)));
    show();
  });
  picture.addEventListener("pointermove", (event) => {
    const place = new DOMPoint(event.clientX, event.clientY).matrixTransform(picture.getScreenCTM().inverse());
    slider.value = String(Math.round(Math.min(most, Math.max(0, (place.x - start.x) / scale))));
    show();
  });
};

// What doesn't overflow needs no stop for the keyboard.
const stops = () => {
  for (const part of document.querySelectorAll(".scroll, figure")) {
    if (part.scrollWidth > part.clientWidth) part.setAttribute("tabindex", "0");
    else part.removeAttribute("tabindex");
  }
};

for (const table of document.querySelectorAll("table")) {
  copying(table);
  sorting(table);
}
const curves = JSON.parse(document.getElementById("curves").textContent);
for (const chart of curves) {
  const figure = document.querySelector(`figure[data-chart="${CSS.escape(chart.chart)}"]`);
  if (figure) reading(figure, chart);
}
stops();
addEventListener("resize", stops);
document.addEventListener("toggle", stops, true);
