// A trait's rasters on the map: the picture that came with the page holds numbers, coloured here as the legend says.
(function (my) {
  const BLANK = 255, STEPS = 250, ZONE = 64, GRADIENT_STEPS = 62;
  const { errorClasses, largestError } = my.numbers;

  // The numbers of a picture, read once a trait.
  const read = new Map();
  my.readGrid = (trait) => {
    if (!read.has(trait)) {
      read.set(trait, new Promise((resolve) => {
        const image = new Image();
        image.onload = () => {
          const canvas = my.make("canvas", { width: image.width, height: image.height });
          const context = canvas.getContext("2d", { willReadFrequently: true });
          context.drawImage(image, 0, 0);
          const { data } = context.getImageData(0, 0, image.width, image.height);
          resolve({ width: image.width, height: image.height, data });
        };
        image.src = trait.grid[0];
      }));
    }
    return read.get(trait);
  };
  const frequencyOf = (code) => code / STEPS;
  const errorOf = (code) => (code / STEPS) * largestError;
  const errorClass = (code) => {
    const found = errorClasses.findIndex((limit) => errorOf(code) <= limit);
    return found < 0 ? errorClasses.length : found;
  };
  const gradientShare = (code) => (code % ZONE) / GRADIENT_STEPS;
  const zoneOf = (code) => (code === BLANK ? 0 : Math.floor(code / ZONE));
  my.hasSteepness = (trait) => Boolean(trait.grid?.[3]);

  const rgb = (hex) => [1, 3, 5].map((at) => parseInt(hex.slice(at, at + 2), 16));
  function painted({ width, height, data }, colour) {
    const canvas = my.make("canvas", { width, height });
    const context = canvas.getContext("2d");
    const image = context.createImageData(width, height);
    for (let at = 0; at < data.length; at += 4) {
      if (data[at] !== BLANK) { image.data.set(colour(data[at], data[at + 1], data[at + 2]), at); }
    }
    context.putImageData(image, 0, 0);
    return canvas;
  }
  const pictures = {
    surface: (grid) => [painted(grid, (frequency, error) =>
      [...rgb(my.frequencyColour(frequencyOf(frequency))), Math.round(255 * my.opacity(errorOf(error)))])],
    steepness: (grid) => [painted(grid, (frequency, error, steep) =>
      (steep === BLANK ? [0, 0, 0, 0] : [...rgb(my.steepColour(gradientShare(steep))), 255]))],
    // A mask for each class, to be filled with its texture at the screen's own scale.
    error: (grid) => [...errorClasses, 1].map((_, place) => painted(grid, (frequency, error) =>
      [0, 0, 0, errorClass(error) === place ? 255 : 0])),
  };

  // Edges of the cells that are in a zone, as lines between corners of cells.
  function zoneEdges({ width, height, data }, least) {
    const inside = (column, row) => column >= 0 && row >= 0 && column < width && row < height
      && zoneOf(data[4 * (row * width + column) + 2]) >= least;
    const edges = [];
    for (let row = 0; row <= height; row += 1) {
      for (let column = 0; column <= width; column += 1) {
        if (inside(column, row) !== inside(column, row - 1)) { edges.push([column, row, column + 1, row]); }
        if (inside(column, row) !== inside(column - 1, row)) { edges.push([column, row, column, row + 1]); }
      }
    }
    return edges;
  }

  my.GridLayer = L.Layer.extend({
    initialize(trait, kind, options) {
      L.setOptions(this, options);
      this._trait = trait;
      this._kind = kind;
    },
    onAdd(map) {
      this._canvas = my.make("canvas", { class: "grid leaflet-zoom-hide", "aria-hidden": "true" });
      map.getPane(this.options.pane).appendChild(this._canvas);
      my.readGrid(this._trait).then((grid) => {
        this._grid = grid;
        this._pictures = pictures[this._kind](grid);
        this._zones = this._kind === "steepness" ? [zoneEdges(grid, 1), zoneEdges(grid, 2)] : [];
        this._draw();
      });
    },
    onRemove() { this._canvas.remove(); },
    getEvents() { return { moveend: this._draw, zoomend: this._draw, resize: this._draw, viewreset: this._draw }; },
    // The numbers under a point of the map, or null where it is blank.
    valuesAt(latLng) {
      if (!this._grid || !this._map) { return null; }
      const [, southWest, northEast] = this._trait.grid;
      const [low, high, here] = [southWest, northEast, latLng].map((place) => this._map.project(place, 18));
      const { width, height, data } = this._grid;
      const column = Math.floor((width * (here.x - low.x)) / (high.x - low.x));
      const row = Math.floor((height * (here.y - high.y)) / (low.y - high.y));
      if (column < 0 || row < 0 || column >= width || row >= height) { return null; }
      const at = 4 * (row * width + column);
      if (data[at] === BLANK) { return null; }
      return {
        frequency: frequencyOf(data[at]), error: errorOf(data[at + 1]),
        steepness: data[at + 2] === BLANK ? null : gradientShare(data[at + 2]), zone: zoneOf(data[at + 2]),
      };
    },
    _draw() {
      const map = this._map;
      if (!map || !this._pictures) { return; }
      const size = map.getSize();
      // A margin, so that a short pan shows no edge before the map comes to rest.
      const margin = size.multiplyBy(0.25).round();
      const corner = map.containerPointToLayerPoint(margin.multiplyBy(-1));
      const scale = window.devicePixelRatio || 1;
      const canvas = this._canvas;
      const whole = size.add(margin.multiplyBy(2));
      canvas.width = Math.round(whole.x * scale);
      canvas.height = Math.round(whole.y * scale);
      canvas.style.width = whole.x + "px";
      canvas.style.height = whole.y + "px";
      L.DomUtil.setPosition(canvas, corner);
      const [, southWest, northEast] = this._trait.grid;
      const bottomLeft = map.latLngToLayerPoint(southWest).subtract(corner).multiplyBy(scale);
      const topRight = map.latLngToLayerPoint(northEast).subtract(corner).multiplyBy(scale);
      const box = [bottomLeft.x, topRight.y, topRight.x - bottomLeft.x, bottomLeft.y - topRight.y];
      const context = canvas.getContext("2d");
      this._pictures.forEach((picture, place) => {
        if (this._kind !== "error") {
          context.imageSmoothingEnabled = false;
          context.drawImage(picture, ...box);
          return;
        }
        const layer = my.make("canvas", { width: canvas.width, height: canvas.height });
        const c = layer.getContext("2d");
        c.imageSmoothingEnabled = false;
        c.drawImage(picture, ...box);
        c.globalCompositeOperation = "source-in";
        c.fillStyle = my.texture(c, place);
        c.fillRect(0, 0, layer.width, layer.height);
        context.drawImage(layer, 0, 0);
      });
      this._zones.forEach((edges, place) => this._drawZone(context, edges, place, box, scale));
    },
    // Solid for the first kind of zone, every other edge for the second: told apart without colour.
    _drawZone(context, edges, place, [left, top, width, height], scale) {
      const { width: columns, height: rows } = this._grid;
      const point = (column, row) => [left + (column * width) / columns, top + (row * height) / rows];
      context.beginPath();
      for (const [x1, y1, x2, y2] of edges) {
        if (place && (x1 + y1) % 2) { continue; }
        context.moveTo(...point(x1, y1));
        context.lineTo(...point(x2, y2));
      }
      context.lineWidth = (place ? 3 : 1.5) * scale;
      context.strokeStyle = place ? "#0b4f8a" : "#1a1a1a";
      context.stroke();
    },
  });
})(morphmap);
