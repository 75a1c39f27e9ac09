// The card of a site: all that is known of it, beside the map.
(function (my) {
  const { sites } = my.numbers;

  // An interval as a bar on the scale from 0 to 100%, with a tick at the frequency.
  function bar(row) {
    const width = 84, height = 14, at = (share) => 2 + share * (width - 4);
    const picture = my.svg("svg", { width, height, class: "bar", "aria-hidden": "true" },
      my.svg("line", { x1: at(0), x2: at(1), y1: height - 2, y2: height - 2, stroke: "#767676" }));
    if (row.low !== null) {
      picture.append(my.svg("rect", {
        x: at(row.low), y: 3, width: Math.max(at(row.high) - at(row.low), 1), height: 6, fill: "#b9c7d6", stroke: "#3f5368",
      }));
    }
    picture.append(my.svg("line", { x1: at(row.frequency), x2: at(row.frequency), y1: 0, y2: 12, stroke: "#1a1a1a", "stroke-width": 2.5 }));
    return picture;
  }

  function traitRow(trait, site) {
    const row = my.row(trait, site);
    const current = trait.key === my.state.trait;
    const head = my.make("th", { scope: "row" }, current ? my.make("strong", {}, trait.title) : trait.title);
    if (!row) { return my.make("tr", {}, head, my.make("td", { colspan: 2, class: "soft" }, my.say("noShells"))); }
    const told = my.make("td", {},
      my.make("div", {}, my.make("b", {}, my.percent(row.frequency))),
      row.low === null ? null : my.make("div", { class: "whole" }, my.range(row.low, row.high)),
      my.make("div", { class: "soft" }, my.say("ofTotal", { count: my.number(row.count), total: my.number(row.total) })),
      row.enough ? null : my.make("div", { class: "soft" }, my.say("smallSample")));
    return my.make("tr", current ? { class: "current" } : {}, head, my.make("td", {}, bar(row)), told);
  }

  function habitat(site) {
    const [own, noted, share] = [sites.habitat[site], sites.noted[site], sites.share[site]];
    const parts = [];
    if (own >= 0) {
      const name = sites.habitats[own];
      parts.push(share === null ? my.say("habitatPlain", { habitat: name })
        : my.say("habitatRaster", { habitat: name, share: my.percent(share) }));
    }
    if (noted >= 0) { parts.push(my.say("habitatNoted", { noted: sites.habitats[noted] })); }
    return parts.length ? my.clauses(...parts) : my.say("notKnown");
  }

  function place(site) {
    if (my.cells) { return my.say("cellNote"); }
    if (!my.placed(site)) { return my.say("withheldNote"); }
    const side = sites.blur[site];
    const where = side > 0 ? my.say("adrift", { side: my.distance(side) }) : my.say("exact");
    const radius = sites.radius[site];
    return radius ? where + " " + my.say(side > 0 ? "uncertainMoved" : "uncertain", { radius: my.distance(radius) }) : where;
  }

  function facts(site) {
    const list = my.make("dl");
    const add = (name, ...content) => list.append(my.make("dt", {}, name), my.make("dd", {}, ...content));
    const trait = my.trait();
    const row = my.row(trait, site);
    if (row && !my.cells && my.tested(row)) { add(my.named(my.say("local"), trait.title), my.groupName(row)); }
    for (const pair of my.changesAt(trait, site)) {
      add(my.named(my.say("changeFrom", { survey: pair.survey }), trait.title),
        my.named(my.say({ "^": "rose", v: "fell", o: "unchanged" }[my.changeShape(pair.difference)]), my.changeText(pair)));
    }
    if (!my.cells) {
      add(my.say("habitat"), habitat(site));
      const degrees = sites.temperature[site];
      add(my.say("temperature"), degrees === null ? my.say("notKnown") : my.tenths(degrees) + "\u00a0°C");
    }
    add(my.say("place"), place(site));
    const near = my.nearest(site, 5);
    if (near.length && !my.cells) {
      add(my.say("nearest"), my.make("ul", { class: "nearest" }, ...near.map(({ site: other, text }) =>
        my.make("li", {}, my.make("button", { type: "button", class: "link", "aria-label": my.say("showSite", { name: my.siteName(other) }) + ", " + text,
          click: () => my.show({ site: other }) }, my.siteName(other)), " " + text))));
    }
    return list;
  }

  function draw() {
    const { site, species } = my.state;
    const open = site !== null;
    my.byId("card-empty").hidden = open;
    my.byId("card-close").hidden = !open;
    const told = my.byId("card-told"), rest = my.byId("card-rest");
    rest.replaceChildren();
    if (!open) { told.replaceChildren(); return; }
    const trait = my.trait();
    const row = my.row(trait, site);
    told.replaceChildren(
      my.make("h3", {}, my.siteName(site) + (my.placed(site) ? "" : ` (${my.say("withheld")})`)),
      my.make("p", {}, my.named(trait.title, row
        ? my.say("ofShells", { frequency: my.percent(row.frequency), shells: my.shellsOf(row) }) : my.say("noShells"))),
    );
    const main = my.mainTraits(species);
    const shown = main.includes(trait) ? main : [trait, ...main];
    rest.append(
      my.make("table", { class: "traits" }, my.make("caption", {}, species),
        my.make("tbody", {}, ...shown.map((one) => traitRow(one, site)))),
      facts(site),
    );
  }

  my.startCard = () => {
    my.byId("card-close").addEventListener("click", () => {
      my.show({ site: null });
      my.byId("map_survey").focus({ preventScroll: true });
    });
    my.byId("card-next").addEventListener("click", () => my.step(1));
    my.byId("card-last").addEventListener("click", () => my.step(-1));
    my.on("state", (changed) => {
      if (["site", "species", "trait"].some((key) => changed.has(key))) { draw(); }
    });
    draw();
  };
})(morphmap);
