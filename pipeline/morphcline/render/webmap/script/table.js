// The table of sites: sorted, filtered, a page at a time; a row leads to the map.
(function (my) {
  const PAGE = 100, PRINTED = 2000;
  let page = 0, printing = false, rows = [];

  // What each column sorts by; missing values come last either way.
  const values = {
    name: (row) => my.siteName(row.site),
    count: (row) => row.count,
    total: (row) => row.total,
    frequency: (row) => row.frequency,
    second: (row) => second(row)?.frequency ?? null,
    change: (row) => change(row)?.difference ?? null,
    group: (row) => (my.tested(row) ? my.groupName(row) : null),
    habitat: (row) => habitat(row),
  };
  const survey = () => (my.state.symbols.startsWith("change:") ? my.state.symbols.slice("change:".length) : null);
  const second = (row) => { const other = my.secondTrait(); return other ? my.row(other, row.site) : null; };
  const change = (row) => (survey() === null ? null : my.changesAt(my.trait(), row.site).find((pair) => pair.survey === survey()));
  const habitat = (row) => { const at = my.sites.habitat[row.site]; return at < 0 ? null : my.sites.habitats[at]; };

  function order() {
    const { sort, down } = my.state;
    const keyed = rows.map((row) => [values[sort](row), row]);
    keyed.sort(([a, one], [b, other]) => {
      if ((a === null) !== (b === null)) { return a === null ? 1 : -1; }
      const by = typeof a === "string" ? my.collator.compare(a, b) : (a ?? 0) - (b ?? 0);
      return (down ? -by : by) || my.collator.compare(my.siteName(one.site), my.siteName(other.site));
    });
    rows = keyed.map(([, row]) => row);
  }

  function choose() {
    const { find, habitat: kind, group, least } = my.state;
    const wanted = find.trim().toLocaleLowerCase();
    rows = my.rows(my.trait()).filter((row) =>
      (!wanted || my.siteName(row.site).toLocaleLowerCase().includes(wanted))
      && (kind === "" || (my.numbers.habitatKeys[my.sites.habitat[row.site]] ?? "none") === kind)
      && (group === "" || my.numbers.groupKeys[row.group] === group)
      && row.total >= least);
    order();
  }
  my.tableRows = () => rows;
  my.tableOrder = () => rows.map((row) => row.site);
  my.tableSurvey = survey;
  my.tableChange = change;
  my.tableSecond = second;

  function line(row) {
    const { site } = row;
    const chosen = site === my.state.site;
    const cell = (text, number = true) => my.make("td", number ? { class: "number" } : {}, text);
    const other = second(row), pair = change(row);
    const name = my.make("th", { scope: "row" },
      my.make("button", { type: "button", class: "link", "aria-label": my.say("toSite", { name: my.siteName(site) }),
        click: () => { my.show({ site }); my.byId("first-frame").scrollIntoView({ block: "nearest" }); } }, my.siteName(site)),
      my.placed(site) ? "" : my.make("span", { class: "soft" }, ` (${my.say("withheld")})`));
    const element = my.make("tr", {
      "data-site": site, class: chosen ? "chosen" : "", "aria-current": chosen ? "true" : false,
      mouseenter: () => my.tell("hover", site), mouseleave: () => my.tell("hover", null),
      focusin: () => my.tell("hover", site), focusout: () => my.tell("hover", null),
    }, name, cell(my.number(row.count)), cell(my.number(row.total)),
    cell(my.percent(row.frequency)), cell(row.low === null ? "–" : my.range(row.low, row.high)));
    if (my.secondTrait()) { element.append(cell(other ? my.percent(other.frequency) : "–")); }
    if (survey() !== null) { element.append(cell(pair ? my.points(pair.difference) : "–")); }
    if (!my.cells) {
      element.append(cell(my.clauses(row.enough ? "" : my.say("smallSample"), row.enough || my.tested(row) ? my.groupName(row) : ""), false), cell(habitat(row) ?? my.say("notKnown"), false));
    }
    return element;
  }

  function draw() {
    choose();
    const last = Math.max(Math.ceil(rows.length / PAGE) - 1, 0);
    page = Math.min(Math.max(page, 0), last);
    const [from, to] = printing ? [0, Math.min(rows.length, PRINTED)] : [page * PAGE, Math.min((page + 1) * PAGE, rows.length)];
    my.byId("site-rows").replaceChildren(...rows.slice(from, to).map(line));
    const other = my.secondTrait();
    my.byId("column-second").hidden = !other;
    my.byId("column-change").hidden = survey() === null;
    if (other) { my.byId("column-second").querySelector("button").textContent = my.say("frequencyOf", { trait: other.title }); }
    for (const head of document.querySelectorAll("#sites-table th[data-sort]")) {
      const sorted = head.dataset.sort === my.state.sort;
      if (sorted) { head.setAttribute("aria-sort", my.state.down ? "descending" : "ascending"); } else { head.removeAttribute("aria-sort"); }
    }
    my.byId("rows-told").textContent = rows.length
      ? my.say("rowsShown", { first: my.number(from + 1), last: my.number(to), all: my.counted("sites", rows.length) })
      : my.counted("found", 0);
    my.byId("page-last").disabled = page === 0;
    my.byId("page-next").disabled = page === last;
    my.byId("pages").hidden = last === 0;
  }

  function mark(site, name) {
    for (const row of document.querySelectorAll(`#site-rows tr.${name}`)) { row.classList.remove(name); if (name === "chosen") { row.removeAttribute("aria-current"); } }
    const row = site === null ? null : document.querySelector(`#site-rows tr[data-site="${site}"]`);
    if (!row) { return; }
    row.classList.add(name);
    if (name === "chosen") { row.setAttribute("aria-current", "true"); }
  }

  // The page of the table that a site is on, when it passes the filters.
  function turnTo(site) {
    const place = rows.findIndex((row) => row.site === site);
    if (place >= 0 && Math.floor(place / PAGE) !== page) { page = Math.floor(place / PAGE); draw(); }
    mark(site, "chosen");
    const row = document.querySelector("#site-rows tr.chosen"), box = my.byId("sites-scroll");
    if (row) { box.scrollTop = row.offsetTop - box.clientHeight / 2; }
  }

  function fields() {
    const bind = (id, key, when) => my.byId(id)?.addEventListener(when, (event) => { page = 0; my.show({ [key]: event.target.value }); });
    bind("find", "find", "input");
    bind("habitat-filter", "habitat", "change");
    bind("group-filter", "group", "change");
    bind("least", "least", "input");
    const habitats = my.byId("habitat-filter"), groups = my.byId("group-filter");
    my.sites.habitats.forEach((name, at) => habitats?.add(new Option(name, my.numbers.habitatKeys[at])));
    if (my.sites.habitat.some((at) => at < 0)) { habitats?.add(new Option(my.say("notKnown"), "none")); }
    my.numbers.groupNames.forEach((name, at) => groups?.add(new Option(name, my.numbers.groupKeys[at])));
    for (const head of document.querySelectorAll("#sites-table th[data-sort] button")) {
      head.addEventListener("click", () => {
        const { sort } = head.closest("th").dataset;
        // Numbers are first wanted from the largest down.
        const text = ["name", "group", "habitat"].includes(sort);
        my.show({ sort, down: my.state.sort === sort ? !my.state.down : !text });
      });
    }
    my.byId("page-last").addEventListener("click", () => { page -= 1; draw(); });
    my.byId("page-next").addEventListener("click", () => { page += 1; draw(); });
  }

  function fillFields() {
    const put = (id, value) => { const field = my.byId(id); if (field && field.value !== String(value)) { field.value = value; } };
    put("find", my.state.find);
    put("habitat-filter", my.state.habitat);
    put("group-filter", my.state.group);
    put("least", my.state.least);
  }

  my.startTable = () => {
    fields();
    fillFields();
    draw();
    if (my.state.site !== null) { turnTo(my.state.site); }
    my.on("state", (changed) => {
      const redraw = ["species", "trait", "how", "second", "symbols", "find", "habitat", "group", "least", "sort", "down"];
      if (redraw.some((key) => changed.has(key))) { fillFields(); draw(); }
      if (changed.has("site")) { turnTo(my.state.site); }
    });
    my.on("hover", (site) => mark(site, "pointed"));
    my.on("print", (begins) => { printing = begins; draw(); });
  };
})(morphmap);
