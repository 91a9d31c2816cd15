/* Rows that sort.  Without it the page is the same, in the campaign's order. */
const list = byId("sets-list");
const rows = [...list.tBodies[0].rows];
const value = (row, place) => row.cells[place].dataset.value ?? row.cells[place].textContent;

function sortBy(head) {
  const down = head.getAttribute("aria-sort") === "ascending";
  for (const other of list.tHead.rows[0].cells) other.removeAttribute("aria-sort");
  head.setAttribute("aria-sort", down ? "descending" : "ascending");
  const ordered = rows.map((row, place) => [value(row, head.cellIndex), row, place]);
  ordered.sort(([a, , i], [b, , k]) => {
    if (a === "" || b === "") return (a === "") - (b === "") || i - k;
    const numbers = !isNaN(a) && !isNaN(b);
    const order = numbers ? a - b : compare(a, b);
    return (down ? -order : order) || i - k;
  });
  list.tBodies[0].append(...ordered.map(([, row]) => row));
}
for (const head of list.tHead.rows[0].cells) {
  const button = document.createElement("button");
  button.type = "button";
  button.append(...head.childNodes);
  button.addEventListener("click", () => sortBy(head));
  head.append(button);
}
