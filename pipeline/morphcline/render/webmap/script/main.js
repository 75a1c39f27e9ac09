// The choices above the maps, the statement, the legend; and the beginning.
(function (my) {
  const radios = (name) => [...document.getElementsByName(name)];

  function options(box, traits, value) {
    const groups = [["main", null], ["morph", my.say("morphs")]];
    for (const [kind, label] of groups) {
      const here = traits.filter((trait) => trait.kind === kind);
      if (!here.length) { continue; }
      const parent = label === null ? box : box.appendChild(my.make("optgroup", { label }));
      for (const trait of here) { parent.append(new Option(trait.title, value(trait))); }
    }
  }

  function fillTraits() {
    const box = my.byId("trait");
    box.replaceChildren();
    options(box, my.species.get(my.state.species).traits, (trait) => trait.key);
  }

  function fillSecond() {
    const box = my.byId("second");
    for (const [name, one] of my.species) {
      const group = box.appendChild(my.make("optgroup", { label: name }));
      for (const trait of one.traits) { group.append(new Option(trait.title, JSON.stringify([name, trait.key]))); }
    }
  }

  function put() {
    const { state } = my;
    my.byId("species").value = state.species;
    fillTraits();
    my.byId("trait").value = state.trait;
    my.byId("second-row").hidden = state.how === "one";
    if (state.second) { my.byId("second").value = JSON.stringify(state.second); }
    for (const name of ["how", "area", "symbols"]) {
      for (const box of radios(name)) { box.checked = box.value === state[name]; }
    }
    if (my.byId("centre")) { my.byId("centre").checked = state.centre; }
    able();
  }

  // A choice that the traits shown have nothing for is out of reach, and says so by being so.
  function able() {
    const traits = [my.trait(), my.secondTrait()].filter(Boolean);
    const any = (test) => traits.some(test);
    const has = {
      surface: any((trait) => trait.grid), error: any((trait) => trait.grid), steepness: any(my.hasSteepness), none: true,
      frequency: true, clusters: !my.cells && any((trait) => my.rows(trait).some(my.tested)),
    };
    for (const name of ["area", "symbols"]) {
      for (const box of radios(name)) {
        box.disabled = box.value.startsWith("change:") ? !any((trait) => trait.change[box.value.slice(7)]?.length) : !has[box.value];
      }
    }
    if (my.byId("centre")) { my.byId("centre").disabled = !any((trait) => trait.centre); }
  }

  function describe() {
    const { state } = my;
    const other = my.secondTrait();
    my.byId("shown").replaceChildren(my.italic(my.trait().statement));
    my.byId("shown-second").replaceChildren(my.italic(other ? my.say("comparedWith", { statement: other.statement }) : ""));
    my.byId("shown-second").hidden = !other;
    const traits = [my.trait(), other].filter(Boolean);
    const grid = traits.some((trait) => trait.grid);
    const shown = {
      frequency: (state.area === "surface" && grid) || state.symbols === "frequency",
      surface: state.area === "surface" && grid, error: state.area === "error" && grid,
      steepness: state.area === "steepness" && traits.some(my.hasSteepness),
      sites: state.symbols === "frequency" && !my.cells, cells: state.symbols === "frequency" && Boolean(my.cells),
      clusters: state.symbols === "clusters", change: state.symbols.startsWith("change:"),
      centre: state.centre && traits.some((trait) => trait.centre), outline: my.numbers.rings.length > 0,
    };
    for (const part of document.querySelectorAll("[data-legend]")) { part.hidden = !shown[part.dataset.legend]; }
    if (shown.steepness) {
      document.querySelectorAll("[data-steep]").forEach((mark) => {
        const text = my.pointsPlain(my.numbers.steepest * Number(mark.dataset.steep));
        mark.textContent = mark.dataset.steep === "1" ? my.say("pointsPerKm", { value: text }) : text;
      });
    }
  }

  async function copy() {
    const field = my.byId("link"), told = my.byId("link-told");
    const address = location.href.split("#")[0] + my.address();
    try {
      await navigator.clipboard.writeText(address);
      field.parentElement.hidden = true;
      told.textContent = my.say("copied");
    } catch {
      // Where the page may not write to the clipboard, the reader does.
      told.textContent = "";
      field.value = address;
      field.parentElement.hidden = false;
      field.focus();
      field.select();
    }
  }

  function listen() {
    my.byId("species").addEventListener("change", (event) => my.show({ species: event.target.value }));
    my.byId("trait").addEventListener("change", (event) => my.show({ trait: event.target.value }));
    my.byId("second").addEventListener("change", (event) => my.show({ second: JSON.parse(event.target.value) }));
    for (const name of ["how", "area", "symbols"]) {
      for (const box of radios(name)) { box.addEventListener("change", () => my.show({ [name]: box.value })); }
    }
    my.byId("centre")?.addEventListener("change", (event) => my.show({ centre: event.target.checked }));
    my.byId("copy").addEventListener("click", copy);
    my.byId("again").addEventListener("click", () => { my.startAgain(); my.tell("moved", null); });
    my.byId("print").addEventListener("click", () => window.print());
    my.byId("skip").addEventListener("click", (event) => {
      event.preventDefault();
      my.byId("map_survey").focus();
    });
    my.on("state", (changed) => {
      const keys = ["species", "trait", "how", "second", "area", "symbols", "centre"];
      if (keys.some((key) => changed.has(key))) { put(); describe(); }
    });
  }

  // What is drawn while printing begins would be printed step by step, clearing included, which hides what lies below:
  // on paper a picture takes each canvas's place.
  function fix(begins) {
    if (!begins) {
      for (const picture of document.querySelectorAll("img.fixed")) { picture.remove(); }
      return;
    }
    for (const canvas of document.querySelectorAll(".map-box canvas")) {
      if (canvas.width && canvas.height) {
        canvas.after(my.make("img", { class: "fixed", alt: "", src: canvas.toDataURL(), style: canvas.style.cssText }));
      }
    }
  }

  // On a narrow screen the map comes before the less common choices.
  function fold() {
    const narrow = matchMedia("(max-width: 820px)");
    const set = () => { my.byId("more").open = !narrow.matches; };
    narrow.addEventListener("change", set);
    set();
  }

  my.start = (map) => {
    if (!my.numbers.species.length) { document.body.classList.add("nothing"); return; }
    document.body.classList.add("scripted");
    for (const name of my.species.keys()) { my.byId("species").add(new Option(name, name)); }
    fillSecond();
    my.readAddress();
    put();
    describe();
    listen();
    fold();
    my.startTable();
    my.startMaps(map);
    my.startCard();
    my.startSearch();
    my.startCharts();
    my.startDownload();
    // Maps and charts are drawn anew for the width of the paper, and the table in full.
    for (const [event, begins] of [["beforeprint", true], ["afterprint", false]]) {
      window.addEventListener(event, () => {
        document.body.classList.toggle("printing", begins);
        my.tell("print", begins);
        fix(begins);
      });
    }
  };
})(morphmap);
