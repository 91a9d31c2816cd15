/* Rows that sort, filter and enlarge.  Without it the page is the same, in play order. */
const data = JSON.parse(document.getElementById("data").textContent);
const COLUMN = {
  name: 0, label: 1, group: 2, orientation: 3, purity: 4, shared: 5, loss: 6, bound: 7, gap: 8,
  page: 9, hash: 10, status: 11, unwanted: 4,
};
const value = (index, key) => data.masks[index][COLUMN[key]];
const list = byId("list");
const rows = [...list.tBodies[0].rows];
const shownRows = () => [...list.tBodies[0].rows].filter((row) => !row.hidden);
const numberOf = (row) => Number(row.id.slice(1));

/* --- sorting ------------------------------------------------------------------------------- */
function sortBy(head) {
  const key = head.dataset.key;
  const down = head.getAttribute("aria-sort") === "ascending";
  for (const other of list.tHead.rows[0].cells) other.removeAttribute("aria-sort");
  head.setAttribute("aria-sort", down ? "descending" : "ascending");
  const ordered = rows.map((row) => [value(numberOf(row), key), row]);
  ordered.sort(([a, x], [b, y]) => {
    if (a === null || b === null) return (a === null) - (b === null);
    const order = typeof a === "number" ? a - b : compare(a, b);
    return (down ? -order : order) || numberOf(x) - numberOf(y);
  });
  list.tBodies[0].append(...ordered.map(([, row]) => row));
}
for (const head of list.tHead.rows[0].cells) {
  if (!head.dataset.key) continue;
  const button = document.createElement("button"), plain = document.createElement("span");
  button.type = "button";
  button.append(...head.childNodes);
  plain.className = "plain";
  plain.innerHTML = button.innerHTML;
  button.addEventListener("click", () => sortBy(head));
  head.append(button, plain);
}

/* --- filters ------------------------------------------------------------------------------- */
const filters = byId("filters");
const KEYS = ["label", "group", "orientation"];
for (const key of KEYS) {
  const found = [...new Set(rows.map((row) => value(numberOf(row), key)))];
  if (key !== "label") found.sort((a, b) => (key === "orientation" ? a - b : compare(a, b)));
  for (const item of found) {
    filters.elements[key].add(new Option(key === "orientation" ? `${item}°` : item, item));
  }
}
function passes(index, without) {
  return KEYS.every((key) => {
    const wanted = filters.elements[key].value;
    return key === without || wanted === "" || String(value(index, key)) === wanted;
  });
}
function filter() {
  for (const row of rows) row.hidden = !passes(numberOf(row));
  for (const key of KEYS) {
    // what would leave no mask cannot be chosen
    const left = new Set(
      rows.map(numberOf).filter((i) => passes(i, key)).map((i) => String(value(i, key)))
    );
    for (const option of filters.elements[key].options) {
      option.disabled = option.value !== "" && !left.has(option.value);
    }
  }
  byId("count").textContent = `${shownRows().length} of ${rows.length} masks`;
}
filters.addEventListener("change", filter);
filters.addEventListener("submit", (event) => event.preventDefault());
filters.addEventListener("reset", () => setTimeout(filter));
filters.hidden = false;
filter();

/* --- a mask enlarged ------------------------------------------------------------------------ */
const large = byId("large");
let current = null;
for (const row of rows) {
  const button = document.createElement("button");
  button.type = "button";
  button.className = "look";
  button.setAttribute("aria-label", `Enlarge ${value(numberOf(row), "name")}`);
  button.append(...row.cells[0].childNodes);
  button.addEventListener("click", () => enlarge(row));
  row.cells[0].append(button);
}
function figuresOf(row) {
  const index = numberOf(row);
  const status = value(index, "status");
  const light = row.querySelector(".light");
  const pairs = [...row.cells].slice(3).map((cell) => {
    const plain = cell.cloneNode(true);
    for (const mark of plain.querySelectorAll("strong")) mark.remove();
    return `<dt>${cell.dataset.name}</dt><dd>${escaped(plain.textContent)}</dd>`;
  });
  if (light) {
    pairs.push(`<dd class="whole">${light.outerHTML}${escaped(light.getAttribute("aria-label"))}</dd>`);
  }
  if (status) pairs.push(`<dd class="whole">Short of the purity asked for: ${escaped(status)}</dd>`);
  return pairs.join("");
}
function modesOf(index) {
  const powers = data.table[index].map((level, mode) => [level, mode]);
  powers.sort((a, b) => b[0] - a[0]);
  const lines = powers.slice(0, data.most).map(([level, mode]) => {
    const width = Math.max(0, 1 + level / 60) * 100;
    return `<tr><th>${escaped(data.modes[mode])}</th><td><i style="width:${width.toFixed(1)}%"></i></td>` +
      `<td>${decibels(level)}</td></tr>`;
  });
  return `<table><caption>Most light goes to (dB of the beam's power; bars from −60 dB)</caption>` +
    `<tbody>${lines.join("")}</tbody></table>`;
}
/* the mask's row of the launch matrix, a cell a mode, in the matrix's own colours */
function rowOf(index) {
  const cells = data.table[index].map((level, mode) => {
    const place = (1 + level / -data.darkest) * (data.colours.length - 1);
    const colour = place < 0 ? "" : ` style="background:${data.colours[Math.round(place)]}"`;
    const told = `${escaped(data.modes[mode])}: ${decibels(level)} dB`;
    return `<i class="${place < 0 ? "none" : ""}"${colour} title="${told.replaceAll('"', "&quot;")}"></i>`;
  });
  return `<span class="note">its row of the launch matrix, ${escaped(data.modes[0])} to ` +
    `${escaped(data.modes.at(-1))}</span><span class="cells">${cells.join("")}</span>`;
}
function decibels(level) {
  return level <= data.least ? `< ${signed(data.least)}` : signed(level.toFixed(1));
}
function signed(number) {
  return String(number).replace("-", "−");
}
function escaped(text) {
  const box = document.createElement("i");
  box.textContent = text;
  return box.innerHTML;
}
function enlarge(row) {
  const index = numberOf(row);
  current?.classList.remove("last");
  current = row;
  row.classList.add("last");
  byId("large-name").textContent = value(index, "name");
  const pictures = row.querySelectorAll("img");
  large.querySelectorAll("img").forEach((img, place) => (img.src = pictures[place].src));
  byId("large-figures").innerHTML = figuresOf(row);
  byId("large-modes").innerHTML = modesOf(index);
  byId("large-row").innerHTML = rowOf(index);
  byId("large-hash").textContent =
    `Page ${value(index, "page")} of masks.tif, SHA-256 of its pixels ${value(index, "hash")}`;
  if (!large.open) large.showModal();
}
function step(by) {
  const shown = shownRows();
  const next = shown[shown.indexOf(current) + by];
  if (next) enlarge(next);
}
byId("before").addEventListener("click", () => step(-1));
byId("after").addEventListener("click", () => step(1));
byId("close").addEventListener("click", () => large.close());
large.addEventListener("click", (event) => event.target === large && large.close());
large.addEventListener("close", () => current?.querySelector("button").focus());
const STEPS = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 };
large.addEventListener("keydown", (event) => {
  if (!(event.key in STEPS)) return;
  event.preventDefault();
  step(STEPS[event.key]);
});
list.addEventListener("keydown", (event) => {
  if (!(event.key in STEPS) || !event.target.classList.contains("look")) return;
  event.preventDefault();
  const shown = shownRows();
  const next = shown[shown.indexOf(event.target.closest("tr")) + STEPS[event.key]];
  next?.querySelector("button").focus();
});
