// What is shown, as one value, and as the part of the address after "#", so that a view can be passed on.
(function (my) {
  const firstSpecies = my.numbers.species[0];
  const AREAS = ["surface", "error", "steepness", "none"];
  const WAYS = ["one", "beside", "swipe"];
  const surveys = () => [...new Set(my.numbers.species.flatMap((one) =>
    one.traits.flatMap((trait) => Object.keys(trait.change))))];
  const SYMBOLS = ["frequency", "clusters", "none", ...surveys().map((survey) => "change:" + survey)];
  const COLUMNS = ["name", "count", "total", "frequency", "second", "change", "group", "habitat"];
  const defaults = () => ({
    species: firstSpecies?.name ?? "", trait: firstSpecies?.traits[0].key ?? "", how: "one", second: null, cut: 50,
    area: "surface", symbols: "frequency", centre: false, site: null, at: null,
    find: "", habitat: "", group: "", least: 0, sort: "name", down: false,
  });
  my.state = defaults();

  my.trait = () => my.findTrait(my.state.species, my.state.trait);
  my.secondTrait = () =>
    (my.state.how === "one" || !my.state.second ? null : my.findTrait(...my.state.second) ?? null);

  // A second trait to compare with: the next one of the same species, else any other.
  function anotherTrait(state) {
    const all = my.numbers.species.flatMap((one) => one.traits.map((trait) => [one.name, trait.key]));
    const place = all.findIndex(([species, key]) => species === state.species && key === state.trait);
    const rest = [...all.slice(place + 1), ...all.slice(0, place)];
    return rest.find(([species]) => species === state.species) ?? rest[0] ?? [state.species, state.trait];
  }

  // Whatever the address or a control asks for ends as something that can be shown.
  function mended(state) {
    if (!my.species.has(state.species)) { state.species = defaults().species; }
    if (!my.findTrait(state.species, state.trait)) { state.trait = my.species.get(state.species).traits[0].key; }
    if (!WAYS.includes(state.how)) { state.how = "one"; }
    if (!AREAS.includes(state.area)) { state.area = "surface"; }
    const possible = my.cells ? ["frequency", "none"] : SYMBOLS;
    if (!possible.includes(state.symbols)) { state.symbols = "frequency"; }
    if (state.how !== "one" && !(state.second && my.findTrait(...state.second))) { state.second = anotherTrait(state); }
    if (!COLUMNS.includes(state.sort)) { state.sort = "name"; }
    state.cut = Math.min(Math.max(Number(state.cut) || 0, 0), 100);
    state.least = Math.max(Math.floor(Number(state.least)) || 0, 0);
    if (state.at && !(state.at.length === 3 && state.at.every(Number.isFinite) && Math.abs(state.at[0]) <= 90
        && Math.abs(state.at[1]) <= 360 && state.at[2] >= 0 && state.at[2] <= 18)) { state.at = null; }
    return state;
  }

  my.address = () => {
    const { state } = my;
    const usual = defaults();
    const words = new URLSearchParams({ species: state.species, trait: state.trait });
    if (state.how !== "one") {
      words.set("how", state.how);
      words.set("with", state.second[1]);
      if (state.second[0] !== state.species) { words.set("with-species", state.second[0]); }
      if (state.how === "swipe" && state.cut !== 50) { words.set("cut", String(state.cut)); }
    }
    for (const key of ["area", "symbols", "find", "habitat", "group", "least", "sort"]) {
      if (state[key] !== usual[key]) { words.set(key, String(state[key])); }
    }
    for (const key of ["centre", "down"]) { if (state[key]) { words.set(key, "1"); } }
    if (state.site !== null) { words.set("site", my.sites.name[state.site]); }
    if (state.at) { words.set("at", [state.at[0].toFixed(4), state.at[1].toFixed(4), Number(state.at[2].toFixed(2))].join(",")); }
    return "#" + words.toString();
  };

  function fromAddress(hash) {
    const words = new URLSearchParams(hash.replace(/^#/, ""));
    const state = defaults();
    const text = (key, name = key) => { if (words.has(name)) { state[key] = words.get(name); } };
    for (const key of ["species", "trait", "how", "area", "symbols", "find", "habitat", "group", "least", "sort", "cut"]) {
      text(key);
    }
    if (words.has("with")) { state.second = [words.get("with-species") ?? state.species, words.get("with")]; }
    state.centre = words.get("centre") === "1";
    state.down = words.get("down") === "1";
    if (words.has("site")) {
      const site = my.siteNamed(words.get("site"));
      state.site = site < 0 ? null : site;
    }
    if (words.has("at")) { state.at = words.get("at").split(",").map(Number); }
    return mended(state);
  }

  let written = "";
  function write() {
    written = my.address();
    try {
      history.replaceState(null, "", written);
    } catch {
      location.replace(written);
    }
  }

  // Only what differs is told, so that a move of the map doesn't draw the table anew.
  my.show = (wanted, { silent = false } = {}) => {
    const before = { ...my.state };
    Object.assign(my.state, wanted);
    mended(my.state);
    const changed = new Set(Object.keys(my.state).filter((key) => before[key] !== my.state[key]));
    if (changed.size === 0) { return; }
    write();
    if (!silent) { my.tell("state", changed); }
  };
  my.startAgain = () => my.show({ ...defaults(), at: null });
  my.readAddress = () => { my.state = fromAddress(location.hash); };
  window.addEventListener("hashchange", () => {
    if (location.hash === written) { return; }
    my.show(fromAddress(location.hash));
    my.tell("moved", my.state.at);
  });
})(morphmap);
