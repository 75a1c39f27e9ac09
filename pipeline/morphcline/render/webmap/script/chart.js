// What the charts have in common: axes, a frame that follows the page's width, points to step along.
(function (my) {
  const INK = "#1a1a1a", SOFT = "#595959", GUIDE = "#d8d8d8";

  my.niceTicks = (low, high, most) => {
    const rough = (high - low) / most || 1;
    const unit = 10 ** Math.floor(Math.log10(rough));
    const step = [1, 2, 5, 10].map((times) => times * unit).find((size) => size >= rough * 0.8);
    const ticks = [];
    for (let at = Math.ceil(low / step - 1e-9); at * step <= high + 1e-9 * step; at += 1) { ticks.push(at === 0 ? 0 : Number((at * step).toPrecision(12))); }
    return ticks;
  };

  // An empty chart: scales, axes and a place for what is drawn in it.
  my.frame = (width, { from, to, low, high, xTitle, yTitle, yText, zero = false }) => {
    const height = 280, left = 52, right = 12, top = 14, bottom = 44;
    const x = (value) => left + ((value - from) / (to - from || 1)) * (width - left - right);
    const y = (value) => height - bottom - ((value - low) / (high - low || 1)) * (height - top - bottom);
    const picture = my.svg("svg", { width, height, viewBox: `0 0 ${width} ${height}`, "aria-hidden": "true", class: "chart" });
    const text = (content, attributes) => my.svg("text", { "font-size": 12, fill: INK, ...attributes }, content);
    for (const tick of my.niceTicks(low, high, 6)) {
      picture.append(my.svg("line", { x1: left, x2: width - right, y1: y(tick), y2: y(tick), stroke: GUIDE }),
        text(yText(tick), { x: left - 6, y: y(tick) + 4, "text-anchor": "end" }));
    }
    for (const tick of my.niceTicks(from, to, Math.max(Math.floor(width / 80), 3))) {
      picture.append(my.svg("line", { x1: x(tick), x2: x(tick), y1: height - bottom, y2: height - bottom + 5, stroke: SOFT }),
        text(my.figures(tick), { x: x(tick), y: height - bottom + 18, "text-anchor": "middle" }));
    }
    picture.append(my.svg("line", { x1: left, x2: width - right, y1: height - bottom, y2: height - bottom, stroke: SOFT }));
    if (zero) { picture.append(my.svg("line", { x1: left, x2: width - right, y1: y(0), y2: y(0), stroke: SOFT })); }
    picture.append(text(xTitle, { x: (left + width - right) / 2, y: height - 6, "text-anchor": "middle" }),
      text(yTitle, { x: 12, y: (top + height - bottom) / 2, "text-anchor": "middle", transform: `rotate(-90 12 ${(top + height - bottom) / 2})` }));
    return { picture, x, y, top, bottom: height - bottom, left, right: width - right };
  };
  my.curve = (frame, at, values) => at.map((place, i) => `${i ? "L" : "M"}${frame.x(place).toFixed(1)},${frame.y(values[i]).toFixed(1)}`).join("");
  my.band = (frame, at, low, high) =>
    my.curve(frame, at, low) + [...at.keys()].reverse().map((i) => `L${frame.x(at[i]).toFixed(1)},${frame.y(high[i]).toFixed(1)}`).join("") + "Z";

  my.detailsTable = (box, heads, rows) => {
    box.replaceChildren(my.make("thead", {}, my.make("tr", {}, ...heads.map((head, at) => my.make("th", { scope: "col", class: at ? "number" : "" }, head)))),
      my.make("tbody", {}, ...rows.map((row) => my.make("tr", {}, ...row.map((cell, at) => my.make("td", { class: at ? "number" : "" }, cell))))));
  };

  // Arrow keys step along a chart's points from left to right; what a point says is told beneath.
  my.stepping = (box, count, pick) => {
    let place = -1;
    box.onkeydown = (event) => {
      const by = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
      if (by && count()) {
        place = place < 0 ? (by > 0 ? 0 : count() - 1) : Math.min(Math.max(place + by, 0), count() - 1);
        pick(place);
        event.preventDefault();
      } else if (event.key === "Home" || event.key === "End") {
        place = event.key === "Home" ? 0 : count() - 1;
        pick(place);
        event.preventDefault();
      } else if (event.key === "Enter" && place >= 0) {
        pick(place, true);
        event.preventDefault();
      }
    };
    box.onblur = () => { place = -1; pick(null); };
  };

  // Both charts stand once for each trait shown; they are drawn anew when the page's width changes.
  my.startCharts = () => {
    const shown = () => [[my.state.species, my.trait()], ...(my.secondTrait() ? [[my.state.second[0], my.secondTrait()]] : [])];
    let drawn = [], width = 0;
    const draw = () => {
      const place = my.byId("charts");
      drawn = shown().flatMap(([name, trait]) => [my.profileChart(name, trait), my.correlogramChart(name, trait)]);
      place.replaceChildren(...drawn.map((chart) => chart.element));
      for (const chart of drawn) { chart.draw(); }
      width = place.clientWidth;
    };
    draw();
    my.on("state", (changed) => {
      if (["species", "trait", "how", "second"].some((key) => changed.has(key))) { draw(); }
      if (changed.has("site")) { for (const chart of drawn) { chart.mark?.(undefined); } }
    });
    my.on("hover", (site) => { for (const chart of drawn) { chart.mark?.(site); } });
    my.on("print", () => { for (const chart of drawn) { chart.draw(); } });
    new ResizeObserver(() => {
      if (Math.abs(my.byId("charts").clientWidth - width) > 1) {
        width = my.byId("charts").clientWidth;
        for (const chart of drawn) { chart.draw(); }
      }
    }).observe(my.byId("charts"));
  };
})(morphmap);
