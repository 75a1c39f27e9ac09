// What the numbers say of species, traits and sites.
(function (my) {
  const { sites, combinations, species, cells } = my.numbers;
  my.sites = sites;
  my.cells = cells;
  my.siteCount = sites.name.length;
  my.species = new Map(species.map((one) => [one.name, one]));

  // A text with the species' names in italics, as they are printed.
  my.italic = (text) => {
    const pieces = my.make("span");
    const names = [...my.species.keys()];
    for (let rest = text; rest;) {
      const [at, name] = names.map((one) => [rest.indexOf(one), one]).filter(([place]) => place >= 0).sort((a, b) => a[0] - b[0])[0]
        ?? [rest.length, ""];
      pieces.append(rest.slice(0, at), ...(name ? [my.make("i", {}, name)] : []));
      rest = rest.slice(at + name.length);
    }
    return pieces;
  };

  my.findTrait = (name, key) => my.species.get(name)?.traits.find((trait) => trait.key === key);
  my.mainTraits = (name) => my.species.get(name).traits.filter((trait) => trait.kind === "main");
  my.siteNamed = (name) => sites.name.indexOf(name);
  my.siteName = (site) => (cells ? my.say("cellName", { name: sites.name[site] }) : sites.name[site]);
  my.placed = (site) => sites.lat[site] !== null && sites.lon[site] !== null;
  my.latLng = (site) => [sites.lat[site], sites.lon[site]];

  // A site's shells of one trait; null where none were judged.
  my.row = (trait, site) => {
    const which = trait.counts[site];
    if (which === undefined || which < 0) { return null; }
    const [count, total, low, high] = combinations[which];
    const mark = trait.marks.charCodeAt(site) - 97;
    return {
      site, count, total, low, high, frequency: count / total, enough: mark % 2 === 1, group: mark >> 1,
      pooled: trait.pooled ? trait.pooled[site] : 1,
    };
  };
  const known = new Map();
  my.rows = (trait) => {
    if (!known.has(trait)) {
      const rows = [];
      for (let site = 0; site < my.siteCount; site += 1) {
        const row = my.row(trait, site);
        if (row) { rows.push(row); }
      }
      known.set(trait, rows);
    }
    return known.get(trait);
  };
  my.shellsOf = (row) =>
    my.cells ? my.counted("cellShells", row.pooled, { shells: my.shells(row.total) }) : my.shells(row.total);
  my.groupName = (row) => my.numbers.groupNames[row.group];
  my.tested = (row) => row.group !== my.numbers.groups.length - 1;

  // The nearest other sites by the places published: no distance is truer than the squares that hide the places.
  my.nearest = (site, most) => {
    if (!my.placed(site)) { return []; }
    const found = [];
    for (let other = 0; other < my.siteCount; other += 1) {
      if (other !== site && my.placed(other)) {
        found.push([Math.hypot(sites.x[other] - sites.x[site], sites.y[other] - sites.y[site]), other]);
      }
    }
    found.sort((a, b) => a[0] - b[0] || my.collator.compare(sites.name[a[1]], sites.name[b[1]]));
    return found.slice(0, most).map(([metres, other]) => {
      const step = Math.max(sites.blur[site] ?? 0, sites.blur[other] ?? 0);
      const rough = step > 0 ? Math.round(metres / step) * step : metres;
      const text = rough < step || rough === 0
        ? my.say("near", { distance: my.distance(step || 1) })
        : step > 0 ? my.say("about", { distance: my.distance(rough) }) : my.distance(rough);
      return { site: other, text };
    });
  };

  // All changes of a trait at a site, by earlier survey.
  my.changesAt = (trait, site) =>
    Object.entries(trait.change).flatMap(([survey, pairs]) =>
      pairs.filter((pair) => pair[0] === site).map((pair) => my.pair(survey, pair)));
  my.pair = (survey, [site, count, total, countNow, totalNow, difference, low, high, p]) => ({
    survey, site, count, total, countNow, totalNow, difference, low, high, p,
    sure: low !== null && high !== null && (low > 0 || high < 0),
  });
  my.changeText = (pair) => my.say("changeTold", {
    difference: my.points(pair.difference),
    low: pair.low === null ? my.say("notKnown") : my.points(pair.low),
    high: pair.high === null ? my.say("notKnown") : my.points(pair.high),
    earlier: my.say("ofTotal", { count: my.number(pair.count), total: my.number(pair.total) }),
    later: my.say("ofTotal", { count: my.number(pair.countNow), total: my.number(pair.totalNow) }),
  });
})(morphmap);
