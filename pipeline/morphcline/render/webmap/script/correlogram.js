// The correlogram: Moran's I by distance class, within what chance would give; significance by the points' filling.
(function (my) {
  const LINE = "#0b4f8a";

  my.correlogramChart = (name, trait) => {
    const { correlogram } = trait;
    const heading = my.make("h3", {}, my.italic(my.say("correlogramOf", { trait: trait.title, species: name })));
    const text = my.make("p", {}, correlogram ? correlogram.text : my.say("noCorrelogram"));
    const element = my.make("div", { class: "chart-box", "data-chart": "correlogram" }, heading, text);
    if (!correlogram) { return { element, draw() {} }; }
    const { mean, moran, low, high, expected, p, pairs, reach } = correlogram;
    const significant = (place) => p[place] !== null && p[place] <= my.numbers.level;
    const box = my.make("div", { class: "chart-frame", tabindex: 0, role: "group", "aria-label": `${heading.textContent}. ${my.say("chartKeys")}` });
    const told = my.make("p", { class: "told", role: "status" });
    const table = my.make("table");
    const range = (place) => ({ from: my.distance(1000 * correlogram.from[place]), to: my.distance(1000 * correlogram.to[place]) });
    my.detailsTable(table, [my.say("distance"), my.say("moran"), my.say("sitePairs"), my.say("holm")], mean.map((_, place) => [
      my.say("range", { low: my.tenths(correlogram.from[place]), high: my.tenths(correlogram.to[place]) }),
      my.decimals(moran[place]), my.number(pairs[place]),
      my.say(significant(place) ? "significant" : "notSignificant")]));
    const sample = (...shapes) => my.svg("svg", { width: 34, height: 16, "aria-hidden": "true" }, ...shapes);
    const key = [
      [sample(my.svg("circle", { cx: 17, cy: 8, r: 5, fill: LINE, stroke: LINE })), my.say("keySignificant", { level: my.figures(my.numbers.level) })],
      [sample(my.svg("circle", { cx: 17, cy: 8, r: 5, fill: "#ffffff", stroke: LINE, "stroke-width": 2 })), my.say("keyNotSignificant")],
      [sample(my.svg("rect", { x: 0, y: 1, width: 34, height: 14, fill: "#d9d9d9" }), my.svg("line", { x1: 0, x2: 34, y1: 8, y2: 8, stroke: "#595959", "stroke-dasharray": "4 3" })), my.say("keyChance")],
    ];
    if (reach[0] !== null) {
      key.push([sample(my.svg("line", { x1: 3, x2: 31, y1: 8, y2: 8, stroke: "#9a3d00", "stroke-width": 2.5 }), my.svgMark("D", 17, 8, 4, { fill: "#9a3d00" })),
        my.say("keyReach")]);
    }
    element.append(box, told, my.make("ul", { class: "key" }, ...key.map(([picture, words]) => my.make("li", {}, picture, words))),
      my.make("details", {}, my.make("summary", {}, my.say("numbersDrawn")),
        my.make("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": heading.textContent }, table)));
    let rings = [];

    function say(place) {
      told.textContent = place === null ? "" : my.say("correlogramPoint", {
        ...range(place), moran: my.decimals(moran[place]), pairs: my.counted("pairs", pairs[place]),
      }) + ", " + my.say(significant(place) ? "significant" : "notSignificant");
      rings.forEach((ring, at) => ring.setAttribute("visibility", at === place ? "visible" : "hidden"));
    }

    function draw() {
      const seen = [...moran, ...low, ...high, 0].filter((value) => value !== null);
      const room = 0.08 * (Math.max(...seen) - Math.min(...seen) || 0.1);
      const frame = my.frame(Math.max(box.clientWidth, 260), {
        from: 0, to: 1.04 * Math.max(...mean, reach[2] ?? 0), low: Math.min(...seen) - room, high: Math.max(...seen) + room,
        xTitle: my.say("distance"), yTitle: my.say("moran"), yText: my.decimals, zero: true,
      });
      const { picture } = frame;
      const banded = mean.map((_, place) => place).filter((place) => low[place] !== null && high[place] !== null);
      const pick = (values) => banded.map((place) => values[place]);
      if (banded.length) { picture.append(my.svg("path", { d: my.band(frame, pick(mean), pick(low), pick(high)), fill: "#d9d9d9" })); }
      picture.append(
        my.svg("path", { d: my.curve(frame, mean, expected), fill: "none", stroke: "#595959", "stroke-dasharray": "4 3" }),
        my.svg("path", { d: my.curve(frame, mean, moran), fill: "none", stroke: LINE, "stroke-width": 2 }));
      rings = mean.map((at, place) => {
        const centre = { cx: frame.x(at), cy: frame.y(moran[place]) };
        picture.append(my.svg("circle", { ...centre, r: 5, fill: significant(place) ? LINE : "#ffffff", stroke: LINE, "stroke-width": 2,
          mouseenter: () => say(place), mouseleave: () => say(null) }));
        const ring = my.svg("circle", { ...centre, r: 10, fill: "none", stroke: "#1a1a1a", "stroke-width": 2.5, visibility: "hidden", "pointer-events": "none" });
        picture.append(ring);
        return ring;
      });
      if (reach[0] !== null) {
        const y = frame.y(expected[0]);
        if (reach[1] !== null && reach[2] !== null) {
          picture.append(my.svg("line", { x1: frame.x(reach[1]), x2: frame.x(reach[2]), y1: y, y2: y, stroke: "#9a3d00", "stroke-width": 2.5, "pointer-events": "none" }));
        }
        picture.append(my.svgMark("D", frame.x(reach[0]), y, 5, { fill: "#9a3d00", "pointer-events": "none" }));
      }
      box.replaceChildren(picture);
    }
    my.stepping(box, () => mean.length, say);
    return { element, draw };
  };
})(morphmap);
