// Symbols, the same on the maps (canvas), in charts and in the legend (SVG): each class has a shape of its own.
(function (my) {
  const { palette, steepPalette, changePalette, changeFull, changeNone, groups, fade } = my.numbers;
  const corners = {
    s: (r) => [[-r, -r], [r, -r], [r, r], [-r, r]],
    "^": (r) => [[0, -r], [r, r], [-r, r]],
    v: (r) => [[0, r], [r, -r], [-r, -r]],
    D: (r) => [[0, -1.3 * r], [1.3 * r, 0], [0, 1.3 * r], [-1.3 * r, 0]],
  };
  // A small sample has a white middle.
  const HOLE = 0.5;
  const trace = (context, shape, x, y, r) => {
    if (!corners[shape]) { context.arc(x, y, r, 0, 2 * Math.PI); return; }
    corners[shape](r).forEach(([dx, dy], place) => context[place ? "lineTo" : "moveTo"](x + dx, y + dy));
    context.closePath();
  };
  my.svgMark = (shape, x, y, r, attributes) => (corners[shape]
    ? my.svg("polygon", { points: corners[shape](r).map(([dx, dy]) => `${x + dx},${y + dy}`).join(" "), ...attributes })
    : my.svg("circle", { cx: x, cy: y, r, ...attributes }));

  my.ShapeMarker = L.CircleMarker.extend({
    options: { shape: "o" },
    _updatePath() {
      const renderer = this._renderer;
      if (!renderer._drawing || this._empty()) { return; }
      renderer._ctx.beginPath();
      trace(renderer._ctx, this.options.shape, this._point.x, this._point.y, Math.max(this._radius, 1));
      renderer._fillStroke(renderer._ctx, this);
      if (this.options.hole) {
        renderer._ctx.beginPath();
        renderer._ctx.arc(this._point.x, this._point.y, HOLE * this._radius, 0, 2 * Math.PI);
        renderer._ctx.fillStyle = "#ffffff";
        renderer._ctx.fill();
        renderer._ctx.stroke();
      }
    },
  });

  const step = (colours, share) => colours[Math.round(Math.min(Math.max(share, 0), 1) * (colours.length - 1))];
  my.frequencyColour = (value) => step(palette, value);
  my.steepColour = (share) => step(steepPalette, share);
  my.changeColour = (value) => step(changePalette, (value + changeFull) / (2 * changeFull));
  my.opacity = (error) => {
    const [surest, least, full, pale] = fade;
    return full + (pale - full) * Math.min(Math.max((error - surest) / (least - surest), 0), 1);
  };
  // On a narrow map symbols are smaller, in the legend too.
  my.symbolScale = 1;
  my.radius = (total) => my.symbolScale * Math.min(3 + Math.sqrt(total) * 0.75, 13);
  const ink = "#1a1a1a";

  // How a site looks for what the symbols stand for.
  my.siteStyle = (row, symbols) => {
    if (symbols === "clusters") {
      const { shape, fill, edge, size } = groups[row.group];
      const hollow = fill === "none";
      return {
        shape, radius: my.symbolScale * size * 1.25, color: edge, weight: 1, fillColor: hollow ? "#ffffff" : fill,
        fillOpacity: hollow ? 0.35 : 1,
      };
    }
    const colour = my.frequencyColour(row.frequency);
    const radius = my.radius(row.total);
    return { shape: "o", radius, color: ink, weight: 1, fillColor: colour, fillOpacity: 1, hole: !row.enough };
  };
  my.changeShape = (value) => (value >= changeNone ? "^" : value <= -changeNone ? "v" : "o");
  my.changeStyle = (pair) => ({
    shape: my.changeShape(pair.difference), radius: my.symbolScale * (3.5 + 8 * Math.min(Math.abs(pair.difference) / changeFull, 1)),
    color: ink, weight: pair.sure ? 2.5 : 1, fillColor: my.changeColour(pair.difference), fillOpacity: 1,
  });

  // Textures for classes of uncertainty: the denser, the less sure, so that the classes need no colour.
  const FILLS = ["#fbf9fd", "#e9e3f0", "#d3c7e0", "#b9a9cc", "#9d8ab5"];
  my.texture = (context, place) => {
    const tile = document.createElement("canvas");
    tile.width = 8;
    tile.height = 8;
    const c = tile.getContext("2d");
    c.fillStyle = FILLS[place];
    c.fillRect(0, 0, 8, 8);
    c.fillStyle = c.strokeStyle = "#2b1b45";
    if (place === 1) { c.fillRect(3, 3, 1.5, 1.5); }
    if (place === 2) { c.fillRect(1, 1, 1.5, 1.5); c.fillRect(5, 5, 1.5, 1.5); }
    c.lineWidth = 0.9;
    c.beginPath();
    if (place >= 3) { for (const at of [-8, 0, 8]) { c.moveTo(at, 8); c.lineTo(at + 8, 0); } }
    if (place >= 4) { for (const at of [-8, 0, 8]) { c.moveTo(at, 0); c.lineTo(at + 8, 8); } }
    c.stroke();
    return context.createPattern(tile, "repeat");
  };

  // The legend's samples are drawn by the same rules as the maps.
  my.drawSwatches = () => {
    for (const place of document.querySelectorAll("[data-swatch]")) {
      const [kind, value] = place.dataset.swatch.split(":");
      place.replaceChildren(swatch(kind, value));
    }
  };
  function swatch(kind, value) {
    if (kind === "error") {
      const canvas = my.make("canvas", { width: 32, height: 18, "aria-hidden": "true" });
      const context = canvas.getContext("2d");
      context.fillStyle = my.texture(context, Number(value));
      context.fillRect(0, 0, 32, 18);
      return canvas;
    }
    const picture = my.svg("svg", { width: 32, height: 28, viewBox: "-16 -14 32 28", "aria-hidden": "true" });
    const style = {
      size: () => ({ shape: "o", radius: my.radius(Number(value)), color: ink, weight: 1, fillColor: "#d9d9d9", fillOpacity: 1 }),
      hollow: () => my.siteStyle({ frequency: 0.6, total: 12, enough: false }, "frequency"),
      group: () => my.siteStyle({ group: Number(value) }, "clusters"),
      change: () => my.changeStyle({ difference: Number(value), sure: false }),
      sure: () => my.changeStyle({ difference: Number(value), sure: true }),
    }[kind]();
    picture.append(my.svgMark(style.shape, 0, 0, style.radius, {
      fill: style.fillColor, "fill-opacity": style.fillOpacity, stroke: style.color, "stroke-width": style.weight,
    }));
    if (style.hole) { picture.append(my.svg("circle", { r: HOLE * style.radius, fill: "#ffffff", stroke: ink })); }
    return picture;
  }
})(morphmap);
