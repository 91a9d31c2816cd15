/* Tables whose rows sort by a click on a heading, a cell by its data-value where it has one.  Without
   it the page is the same. */
const numberIn = (text) => Number.parseFloat(text.replace("−", "-").replace(/^[<>]/, ""));
const valueOf = (cell) => cell.dataset.value ?? cell.textContent.trim();
function sortRows(head) {
  const table = head.closest("table"), place = head.cellIndex;
  const down = head.getAttribute("aria-sort") === "ascending";
  for (const other of head.parentElement.cells) other.removeAttribute("aria-sort");
  head.setAttribute("aria-sort", down ? "descending" : "ascending");
  const rows = [...table.tBodies[0].rows].map((row) => [valueOf(row.cells[place]), row]);
  const plain = (text) => text === "-" || text === "";
  rows.sort(([a], [b]) => {
    if (plain(a) || plain(b)) return plain(a) - plain(b);
    const x = numberIn(a), y = numberIn(b);
    const order = (Number.isNaN(x) || Number.isNaN(y) ? 0 : x - y) || compare(a, b);
    return down ? -order : order;
  });
  table.tBodies[0].append(...rows.map(([, row]) => row));
}
for (const head of document.querySelectorAll("table.sorted thead th")) {
  const button = document.createElement("button");
  button.type = "button";
  button.append(...head.childNodes);
  button.addEventListener("click", () => sortRows(head));
  head.append(button);
}
