/* The launch matrix to zoom: a column for each mask, a row for each mode. */
(() => {
  const view = byId("matrix-view");
  const says = byId("matrix-says");
  const still = byId("matrix-still");
  const masks = data.masks.length;
  const modes = data.modes.length;
  const NAMES = 86, BELOW = 98, ABOVE = 4, TALLEST = 460, CELL = { x: 44, y: 26 }, TEXT = 12, STEP = 1.5;
  const picture = new Image();
  let width = 0, height = 0, ratio = 1;
  let cell = { x: 1, y: 1 }, whole = { x: 1, y: 1 }, from = { x: 0, y: 0 };
  let at = null;

  const limits = () => ({ x: Math.max(CELL.x, 3 * whole.x), y: Math.max(CELL.y, 3 * whole.y) });
  const clamp = (number, low, high) => Math.min(Math.max(number, low), high);

  function fit() {
    const room = view.parentElement.clientWidth - parseFloat(getComputedStyle(view.parentElement).paddingLeft);
    whole = { x: Math.min((room - NAMES - 2) / masks, CELL.x), y: Math.min(TALLEST / modes, CELL.y) };
    width = room;
    height = Math.ceil(modes * whole.y);
    ratio = devicePixelRatio || 1;
    view.width = Math.round(width * ratio);
    view.height = Math.round((height + ABOVE + BELOW) * ratio);
    view.style.height = `${height + ABOVE + BELOW}px`;
    showWhole();
  }
  function showWhole() {
    cell = { ...whole };
    from = { x: 0, y: 0 };
    draw();
  }
  const plot = () => ({ w: Math.min(width - NAMES - 2, masks * cell.x), h: Math.min(height, modes * cell.y) });
  function settle() {
    const { w, h } = plot();
    from.x = clamp(from.x, 0, Math.max(0, masks - w / cell.x));
    from.y = clamp(from.y, 0, Math.max(0, modes - h / cell.y));
  }
  function zoom(factor, x, y) {
    const { w, h } = plot();
    const px = x ?? w / 2, py = y ?? h / 2;
    const held = { x: from.x + px / cell.x, y: from.y + py / cell.y };
    const most = limits();
    cell = {
      x: clamp(cell.x * factor, whole.x, most.x),
      y: clamp(cell.y * factor, whole.y, most.y),
    };
    from = { x: held.x - px / cell.x, y: held.y - py / cell.y };
    draw();
  }

  /* runs of masks of one label, of modes of one group */
  function runs(names) {
    const found = [];
    names.forEach((name, index) => {
      if (index && names[index - 1] === name) found.at(-1).end = index + 1;
      else found.push({ name, start: index, end: index + 1 });
    });
    return found;
  }
  const labels = runs(data.masks.map((mask) => mask[COLUMN.label]));
  const groups = runs(data.groups);

  function draw() {
    settle();
    const style = getComputedStyle(document.documentElement);
    const ink = style.getPropertyValue("--ink"), soft = style.getPropertyValue("--soft");
    const paper = style.getPropertyValue("--paper"), second = style.getPropertyValue("--second");
    const { w, h } = plot();
    const pen = view.getContext("2d");
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, width, height + ABOVE + BELOW);
    pen.translate(NAMES, ABOVE);
    pen.save();
    pen.beginPath();
    pen.rect(0, 0, w, h);
    pen.clip();
    pen.fillStyle = hatch(pen, style.getPropertyValue("--clear"));
    pen.fillRect(0, 0, w, h);
    pen.imageSmoothingEnabled = cell.x * ratio < 1 || cell.y * ratio < 1;
    pen.drawImage(picture, -from.x * cell.x, -from.y * cell.y, masks * cell.x, modes * cell.y);
    pen.strokeStyle = paper;
    pen.globalAlpha = 0.55;
    pen.lineWidth = 1;
    pen.beginPath();
    for (const run of labels.slice(1)) line(pen, (run.start - from.x) * cell.x, 0, 0, h);
    for (const run of groups.slice(1)) line(pen, 0, (run.start - from.y) * cell.y, w, 0);
    pen.stroke();
    pen.globalAlpha = 1;
    if (at) {
      pen.strokeStyle = second;
      pen.lineWidth = 2.5;
      pen.strokeRect((at.x - from.x) * cell.x, (at.y - from.y) * cell.y, Math.max(cell.x, 3), Math.max(cell.y, 3));
    }
    pen.restore();
    pen.strokeStyle = soft;
    pen.lineWidth = 1;
    pen.strokeRect(0, 0, w, h);
    pen.fillStyle = ink;
    pen.font = `${TEXT}px ${getComputedStyle(view).fontFamily}`;
    pen.textBaseline = "middle";
    pen.textAlign = "right";
    drawModes(pen, h);
    drawMasks(pen, w, h);
    pen.fillStyle = soft;
    pen.textAlign = "center";
    pen.fillText("target of the mask", w / 2, h + BELOW - 12);
    view.classList.toggle("near", cell.x > whole.x * 1.01 || cell.y > whole.y * 1.01);
  }
  /* what is below the scale: neither its darkest colour nor the page's */
  function hatch(pen, colour) {
    const tile = document.createElement("canvas");
    tile.width = tile.height = 5;
    const brush = tile.getContext("2d");
    brush.strokeStyle = colour;
    brush.beginPath();
    for (const shift of [-5, 0, 5]) line(brush, shift - 1, 6, 7, -7);
    brush.stroke();
    return pen.createPattern(tile, "repeat");
  }
  function line(pen, x, y, dx, dy) {
    pen.moveTo(x, y);
    pen.lineTo(x + dx, y + dy);
  }
  /* each mode by its name where there is room, else its group */
  function drawModes(pen, h) {
    if (cell.y >= TEXT) {
      data.modes.forEach((name, index) => {
        const y = (index + 0.5 - from.y) * cell.y;
        if (y > 4 && y < h - 4) pen.fillText(short(name), -6, y);
      });
      return;
    }
    let last = -TEXT;
    for (const run of groups) {
      const top = Math.max((run.start - from.y) * cell.y, 0);
      const end = Math.min((run.end - from.y) * cell.y, h);
      const y = (top + end) / 2;
      if (end > top && y - last >= TEXT) {
        pen.fillText(`group ${run.name}`, -6, y);
        last = y;
      }
    }
  }
  /* labels, and where there is room each mask's orientation */
  function drawMasks(pen, w, h) {
    const single = cell.x >= TEXT + 2;
    const names = single
      ? data.masks.map((mask, index) => ({
          name: `${short(mask[COLUMN.label])} ${mask[COLUMN.orientation]}°`, start: index, end: index + 1,
        }))
      : labels;
    let last = -TEXT;
    for (const run of names) {
      const left = Math.max((run.start - from.x) * cell.x, 0);
      const end = Math.min((run.end - from.x) * cell.x, w);
      const x = (left + end) / 2;
      if (end - left <= 0 || x - last < TEXT) continue;
      last = x;
      pen.save();
      pen.translate(x, h + 5);
      pen.rotate(-Math.PI / 2);
      pen.fillText(single ? run.name : short(run.name), 0, 0);
      pen.restore();
    }
  }
  const short = (name) => (name.length > 10 ? `${name.slice(0, 9)}…` : name);

  function tell() {
    if (!at) return;
    says.textContent =
      `${data.masks[at.x][COLUMN.name]} into ${data.modes[at.y]}: ${decibels(data.table[at.x][at.y])} dB`;
  }
  function choose(x, y) {
    at = { x: clamp(x, 0, masks - 1), y: clamp(y, 0, modes - 1) };
    const { w, h } = plot();
    from.x = clamp(from.x, at.x + 1 - w / cell.x, at.x);
    from.y = clamp(from.y, at.y + 1 - h / cell.y, at.y);
    tell();
    draw();
  }
  function cellUnder(event) {
    const box = view.getBoundingClientRect();
    const x = event.clientX - box.left - NAMES, y = event.clientY - box.top - ABOVE;
    const { w, h } = plot();
    const inside = x >= 0 && y >= 0 && x < w && y < h;
    return { x: Math.floor(from.x + x / cell.x), y: Math.floor(from.y + y / cell.y), px: x, py: y, inside };
  }

  let held = null;
  view.addEventListener("pointerdown", (event) => {
    held = { x: event.clientX, y: event.clientY, from: { ...from }, moved: false };
  });
  view.addEventListener("pointermove", (event) => {
    if (held && event.buttons) {
      const dx = event.clientX - held.x, dy = event.clientY - held.y;
      if (!held.moved && Math.hypot(dx, dy) < 4) return;
      if (!held.moved) view.setPointerCapture(event.pointerId);
      held.moved = true;
      from = { x: held.from.x - dx / cell.x, y: held.from.y - dy / cell.y };
      draw();
      return;
    }
    const under = cellUnder(event);
    if (!under.inside || (at && at.x === under.x && at.y === under.y)) return;
    at = { x: under.x, y: under.y };
    tell();
    draw();
  });
  view.addEventListener("pointerup", (event) => {
    const under = cellUnder(event);
    if (held && !held.moved && under.inside) choose(under.x, under.y);
    held = null;
  });
  view.addEventListener("pointercancel", () => (held = null));
  view.addEventListener("dblclick", (event) => {
    const under = cellUnder(event);
    if (under.inside) zoom(2, under.px, under.py);
  });
  view.addEventListener("wheel", (event) => {
    // the page scrolls on until the picture is clicked
    if (document.activeElement !== view && !event.ctrlKey) return;
    event.preventDefault();
    const under = cellUnder(event);
    zoom(Math.exp(-clamp(event.deltaY, -200, 200) / 300), under.px, under.py);
  }, { passive: false });
  const MOVES = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  view.addEventListener("keydown", (event) => {
    const centre = () => at && [(at.x + 0.5 - from.x) * cell.x, (at.y + 0.5 - from.y) * cell.y];
    if (event.key in MOVES) {
      const [dx, dy] = MOVES[event.key];
      choose(at ? at.x + dx : 0, at ? at.y + dy : 0);
    } else if (event.key === "+" || event.key === "=") zoom(STEP, ...(centre() ?? []));
    else if (event.key === "-") zoom(1 / STEP, ...(centre() ?? []));
    else if (event.key === "0") showWhole();
    else if (event.key === "Enter" && at) enlarge(byId(`m${at.x}`));
    else return;
    event.preventDefault();
  });
  view.addEventListener("focus", () => at === null && choose(0, 0));
  for (const button of document.querySelectorAll("[data-zoom]")) {
    button.addEventListener("click", () => {
      if (button.dataset.zoom === "whole") showWhole();
      else zoom(button.dataset.zoom === "in" ? STEP : 1 / STEP);
    });
  }

  picture.addEventListener("load", () => {
    for (const id of ["matrix-view", "matrix-tools", "matrix-keys"]) byId(id).hidden = false;
    still.style.display = "none";
    fit();
    addEventListener("resize", fit);
    addEventListener("themed", draw);
  });
  picture.src = byId("matrix-picture").getAttribute("href");
})();
