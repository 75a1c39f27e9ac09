// The cline's profile: frequency at each site against its distance along the axis, with the curve fitted.
(function (my) {
  my.profileChart = (name, trait) => {
    const { profile } = trait;
    const heading = my.make("h3", {}, my.italic(my.say("profileOf", { trait: trait.title, species: name })));
    const text = my.make("p", {}, profile ? profile.text : my.say("noProfile"));
    const element = my.make("div", { class: "chart-box", "data-chart": "profile" }, heading, text);
    if (!profile || !profile.at.length) { return { element, draw() {} }; }
    const points = profile.sites
      .map((site, at) => ({ site, distance: profile.distance[at], row: my.row(trait, site) }))
      .filter((point) => point.row)
      .sort((a, b) => a.distance - b.distance);
    const box = my.make("div", { class: "chart-frame", tabindex: 0, role: "group", "aria-label": `${heading.textContent}. ${my.say("chartKeys")}` });
    const told = my.make("p", { class: "told", role: "status" });
    const key = my.make("ul", { class: "key" }, ...legend(profile));
    const table = my.make("table");
    const details = my.make("details", {}, my.make("summary", {}, my.say("numbersDrawn")),
      my.make("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": heading.textContent }, table));
    details.addEventListener("toggle", () => {
      if (!details.open || table.children.length) { return; }
      my.detailsTable(table, [my.say("site"), my.say("distance"), my.say("frequency"), my.say("shells")],
        points.map(({ site, distance, row }) => [my.siteName(site), my.tenths(distance), my.percent(row.frequency),
          my.say("ofTotal", { count: my.number(row.count), total: my.number(row.total) })]));
    });
    element.append(box, told, key, details);
    let marks = new Map(), layer = null, pointed = null;

    function legend({ fits }) {
      const sample = (...shapes) => my.svg("svg", { width: 34, height: 16, "aria-hidden": "true" }, ...shapes);
      const items = [
        [sample(my.svg("circle", { cx: 17, cy: 8, r: 5, fill: "#8c8c8c", stroke: "#ffffff" })), my.say("keySite")],
        [sample(my.svg("rect", { x: 0, y: 2, width: 34, height: 12, fill: "#c6dcef" }),
          my.svg("line", { x1: 0, x2: 34, y1: 8, y2: 8, stroke: "#0b4f8a", "stroke-width": 2.5, "stroke-dasharray": fits ? null : "6 4" })),
        my.say(fits ? "keyCurve" : "keyCurvePoor", { confidence: my.numbers.confidence })],
      ];
      if (profile.centre[0] !== null && fits) {
        items.push([sample(my.svg("rect", { x: 6, y: 0, width: 22, height: 16, fill: "#f3d9bf" }),
          my.svg("line", { x1: 17, x2: 17, y1: 0, y2: 16, stroke: "#9a3d00", "stroke-width": 2 })), my.say("keyCentre", { confidence: my.numbers.confidence })]);
      }
      return items.map(([picture, words]) => my.make("li", {}, picture, words));
    }

    function draw() {
      const distances = points.map((point) => point.distance);
      const frame = my.frame(Math.max(box.clientWidth, 260), {
        from: Math.min(...distances, ...profile.at), to: Math.max(...distances, ...profile.at), low: 0, high: 1,
        xTitle: my.say("distanceAxis"), yTitle: my.say("frequency"), yText: (tick) => my.percent(Math.round(tick * 100) / 100),
      });
      const { picture } = frame;
      const [centre, low, high] = profile.centre;
      if (centre !== null && profile.fits) {
        const inside = (value) => Math.min(Math.max(frame.x(value), frame.left), frame.right);
        if (low !== null && high !== null) {
          picture.append(my.svg("rect", { x: inside(low), y: frame.top, width: Math.max(inside(high) - inside(low), 1), height: frame.bottom - frame.top, fill: "#f3d9bf" }));
        }
        picture.append(my.svg("line", { x1: inside(centre), x2: inside(centre), y1: frame.top, y2: frame.bottom, stroke: "#9a3d00", "stroke-width": 1.5 }));
      }
      picture.append(my.svg("path", { d: my.band(frame, profile.at, profile.low, profile.high), fill: "#9cc3e4", "fill-opacity": 0.55 }));
      marks = new Map();
      for (const { site, distance, row } of points) {
        const mark = my.svg("circle", {
          cx: frame.x(distance), cy: frame.y(row.frequency), r: Math.min(2 + Math.sqrt(row.total) * 0.45, 8), fill: row.enough ? "#8c8c8c" : "#ffffff",
          stroke: row.enough ? "#ffffff" : "#767676", "stroke-width": row.enough ? 0.7 : 1.2, class: "site",
          mouseenter: () => { my.tell("hover", site); say(site); }, mouseleave: () => { my.tell("hover", null); say(null); },
          click: () => my.show({ site }),
        });
        marks.set(site, mark);
        picture.append(mark);
      }
      picture.append(my.svg("path", { d: my.curve(frame, profile.at, profile.fit), fill: "none", stroke: "#0b4f8a", "stroke-width": 2.5,
        "stroke-dasharray": profile.fits ? null : "7 4", "pointer-events": "none" }));
      layer = my.svg("g", { "pointer-events": "none" });
      picture.append(layer);
      box.replaceChildren(picture);
      mark();
    }

    function mark(site) {
      if (site !== undefined) { pointed = site; }
      if (!layer) { return; }
      layer.replaceChildren();
      for (const [which, dashes] of [[pointed, "3 3"], [my.state.site, null]]) {
        const at = marks.get(which);
        if (!at || (dashes && which === my.state.site)) { continue; }
        const place = { cx: at.getAttribute("cx"), cy: at.getAttribute("cy"), r: Number(at.getAttribute("r")) + 4, fill: "none" };
        layer.append(my.svg("circle", { ...place, stroke: "#ffffff", "stroke-width": 5 }),
          my.svg("circle", { ...place, stroke: "#1a1a1a", "stroke-width": 2.5, "stroke-dasharray": dashes }));
      }
    }

    function say(site) {
      const point = points.find((one) => one.site === site);
      told.textContent = point ? my.say("chartSite", {
        name: my.siteName(site), distance: my.distance(1000 * point.distance), frequency: my.percent(point.row.frequency), shells: my.shellsOf(point.row),
      }) : "";
    }
    my.stepping(box, () => points.length, (place, open = false) => {
      const site = place === null ? null : points[place].site;
      my.tell("hover", site);
      say(site);
      if (open) { my.show({ site }); }
    });
    return { element, draw, mark };
  };
})(morphmap);
