// The map, the second one beside it, and two traits on one map with a line between them.
(function (my) {
  const views = { first: null, second: null, swiped: null };
  let first = null, second = null, moving = false;
  const frame = () => my.byId("second-frame");
  const range = () => my.byId("cut");

  function furnish(map) {
    L.control.zoom({ zoomInTitle: my.say("zoomIn"), zoomOutTitle: my.say("zoomOut") }).addTo(map);
    L.control.scale({ imperial: false, position: "topright" }).addTo(map);
    map.attributionControl.setPrefix(false).addAttribution(my.say("library", { library: "Leaflet (BSD-2-Clause)" }));
    for (const ring of my.numbers.rings) {
      L.polyline(ring, { color: "#595959", weight: 1.5, interactive: false }).addTo(map);
    }
    const box = map.getContainer();
    box.setAttribute("role", "application");
    box.setAttribute("aria-describedby", "map-keys");
    box.addEventListener("keydown", steps);
    // A reader who turns the wheel to read on isn't held up by the map: it zooms once it is in focus.
    map.scrollWheelZoom.disable();
    map.on("focus", () => map.scrollWheelZoom.enable());
    map.on("blur", () => map.scrollWheelZoom.disable());
    map.on("move", () => follow(map));
    map.on("moveend", () => { follow(map); remember(map); });
    map.on("move zoomend resize viewreset", cut);
    map.on("click", () => my.show({ site: null }));
    map.on("mousemove", (event) => tellHere(map, event.latlng));
    map.on("mouseout", () => tellHere(map, null));
  }

  function steps(event) {
    if (event.ctrlKey || event.altKey || event.metaKey) { return; }
    const key = event.key.toLowerCase();
    if (key === "n") { my.step(1); } else if (key === "p") { my.step(-1); } else if (key === "escape") { my.show({ site: null }); }
    else { return; }
    event.preventDefault();
  }

  // The next or the last site in the order of the table.
  my.step = (by) => {
    const order = my.tableOrder().filter(my.placed);
    if (!order.length) { return; }
    const place = order.indexOf(my.state.site);
    my.show({ site: order[place < 0 ? (by > 0 ? 0 : order.length - 1) : (place + by + order.length) % order.length] });
  };

  // The two maps beside each other move as one.
  function follow(map) {
    if (moving || my.state.how !== "beside" || !second) { return; }
    moving = true;
    const other = map === first ? second : first;
    other.setView(map.getCenter(), map.getZoom(), { animate: false });
    moving = false;
  }

  function remember(map) {
    if (map !== first) { return; }
    const near = (center, zoom) => zoom === map.getZoom() && map.project(center).distanceTo(map.project(map.getCenter())) < 3;
    const { at } = my.state;
    // A map comes to rest on whole pixels: a view isn't another for that.
    if (at && near([at[0], at[1]], at[2])) { return; }
    const { lat, lng } = map.getCenter();
    // The view that fits everything needs no words in the address.
    const home = my.home && near(my.home.center, my.home.zoom);
    my.show({ at: home ? null : [Number(lat.toFixed(4)), Number(lng.toFixed(4)), map.getZoom()] }, { silent: true });
  }

  function tellHere(map, latLng) {
    const place = my.byId("here");
    const view = map === second ? views.second
      : my.state.how === "swipe" && latLng && map.latLngToContainerPoint(latLng).x > (map.getSize().x * my.state.cut) / 100
        ? views.swiped : views.first;
    const values = latLng && view?.area ? view.area.valuesAt(latLng) : undefined;
    if (values === undefined) { place.textContent = ""; return; }
    if (values === null) { place.textContent = my.say("blank"); return; }
    const parts = [my.named(view.trait.title, my.percent(values.frequency)), my.say("errorHere", { points: my.pointsPlain(values.error) })];
    if (values.steepness !== null) {
      parts.push(my.say("gradientHere", { points: my.pointsPlain(values.steepness * my.numbers.steepest) }));
      if (values.zone) { parts.push(my.say("zoneHere")); }
    }
    place.textContent = parts.join(" · ");
  }

  function cut() {
    if (!views.first) { return; }
    const swiping = my.state.how === "swipe";
    const share = my.state.cut / 100;
    views.first.cut(0, swiping ? share : 1);
    views.swiped?.cut(swiping ? share : 0, 1);
    my.byId("cut-line").style.left = my.state.cut + "%";
  }

  function makeSecond() {
    second = L.map("map_second", { preferCanvas: true, zoomControl: false, attributionControl: true });
    furnish(second);
    second.setView(first.getCenter(), first.getZoom(), { animate: false });
    views.second = new my.View(second, "second");
  }

  function draw() {
    const { state } = my;
    const trait = my.trait(), other = my.secondTrait();
    document.body.dataset.how = state.how;
    frame().hidden = state.how !== "beside";
    for (const id of ["cut-row", "cut-line"]) { my.byId(id).hidden = state.how !== "swipe"; }
    first.invalidateSize({ animate: false });
    if (!state.at) { fit(null); }
    if (state.how === "beside" && !second) { makeSecond(); }
    my.symbolScale = Math.min(Math.max(first.getSize().x / 600, 0.6), 1);
    my.drawSwatches();
    views.first.draw(state.species, trait, state);
    if (state.how === "beside") {
      second.invalidateSize({ animate: false });
      moving = true;
      second.setView(first.getCenter(), first.getZoom(), { animate: false });
      moving = false;
      views.second.draw(state.second[0], other, state);
    } else {
      views.second?.clear();
    }
    if (state.how === "swipe") {
      views.swiped ??= new my.View(first, "swiped");
      views.swiped.draw(state.second[0], other, state);
      range().setAttribute("aria-label", my.say("swipe", { left: trait.title, right: other.title }));
    } else {
      views.swiped?.clear();
    }
    range().value = state.cut;
    titles(trait, other);
    cut();
    ring();
  }

  function titles(trait, other) {
    const { state } = my;
    const words = (name, shown) => my.say("mapOf", { trait: shown.title, species: name });
    my.byId("map_survey").setAttribute("aria-label",
      my.clauses(words(state.species, trait), state.how === "swipe" ? words(state.second[0], other) : ""));
    if (second && other) { my.byId("map_second").setAttribute("aria-label", words(state.second[0], other)); }
    const caption = (name, shown, side) => (side ? my.named(my.say(side), `${shown.title}, ${name}`) : `${shown.title}, ${name}`);
    const put = (id, text) => my.byId(id).replaceChildren(my.italic(text));
    put("first-title", caption(state.species, trait, state.how === "swipe" ? "left" : ""));
    put("swiped-title", state.how === "swipe" ? caption(state.second[0], other, "right") : "");
    put("second-title", other ? caption(state.second[0], other, "") : "");
  }

  const shownViews = () => [views.first, my.state.how === "beside" ? views.second : null, my.state.how === "swipe" ? views.swiped : null]
    .filter((view) => view?.trait);
  let pointed = null;
  function ring() { for (const view of shownViews()) { view.ring(my.state.site, pointed); } }

  function goTo(site) {
    if (!my.placed(site)) { return; }
    const zoom = first.getZoom();
    const inside = first.getBounds().pad(-0.1).contains(my.latLng(site));
    if (!inside) { first.setView(my.latLng(site), zoom, { animate: !my.still }); }
  }

  function resize() {
    first.invalidateSize({ animate: false });
    if (!my.state.at) { fit(null); }
    if (my.state.how === "beside") { second?.invalidateSize({ animate: false }); }
  }

  my.startMaps = (map) => {
    first = map;
    // The box had no size while the page waited for its script.
    first.invalidateSize({ animate: false });
    furnish(map);
    views.first = new my.View(map, "first");
    fit(my.state.at);
    draw();
    new ResizeObserver(resize).observe(my.byId("first-frame"));
    range().addEventListener("input", () => my.show({ cut: Number(range().value) }));
    my.on("state", (changed) => {
      const redraw = ["species", "trait", "how", "second", "area", "symbols", "centre"];
      if (redraw.some((key) => changed.has(key))) { draw(); }
      if (changed.has("cut")) { cut(); range().value = my.state.cut; }
      if (changed.has("site")) {
        if (my.state.site !== null) { goTo(my.state.site); }
        ring();
      }
    });
    my.on("hover", (site) => { pointed = site; ring(); });
    my.on("moved", fit);
    my.on("print", resize);
    my.maps = { first, views, second: () => second };
  };

  function fit(at) {
    if (at) { first.setView([at[0], at[1]], at[2], { animate: false }); return; }
    my.home = null;
    first.fitBounds(my.numbers.bounds, { animate: false });
    my.home = { center: first.getCenter(), zoom: first.getZoom() };
    my.show({ at: null }, { silent: true });
  }
})(morphmap);
