// Search by a site's name: a field with a list, after the pattern of a combobox.
(function (my) {
  const MOST = 12;
  my.startSearch = () => {
    const field = my.byId("search"), list = my.byId("search-list"), told = my.byId("search-told");
    if (!field) { return; }
    let found = [], place = -1;

    function close() {
      list.hidden = true;
      field.setAttribute("aria-expanded", "false");
      field.removeAttribute("aria-activedescendant");
      place = -1;
    }
    function choose(site) {
      field.value = my.siteName(site);
      told.textContent = my.say("chosen", { name: my.siteName(site) });
      close();
      my.show({ site });
    }
    function mark(next) {
      place = next;
      [...list.children].forEach((option, at) => option.setAttribute("aria-selected", String(at === place)));
      if (place >= 0) {
        field.setAttribute("aria-activedescendant", list.children[place].id);
        list.children[place].scrollIntoView({ block: "nearest" });
      } else {
        field.removeAttribute("aria-activedescendant");
      }
    }
    function look() {
      const wanted = field.value.trim().toLocaleLowerCase();
      if (!wanted) { close(); told.textContent = ""; return; }
      // Names that begin with the text come first.
      const all = [];
      for (let site = 0; site < my.siteCount; site += 1) {
        const at = my.siteName(site).toLocaleLowerCase().indexOf(wanted);
        if (at >= 0) { all.push([at > 0, my.siteName(site), site]); }
      }
      all.sort((a, b) => a[0] - b[0] || my.collator.compare(a[1], b[1]));
      found = all.slice(0, MOST).map(([, , site]) => site);
      told.textContent = all.length ? my.counted("found", all.length) : my.say("noMatch");
      list.replaceChildren(...found.map((site, at) => my.make("li", {
        id: "search-option-" + at, role: "option", "aria-selected": "false",
        mousedown: (event) => { event.preventDefault(); choose(site); },
      }, my.siteName(site))));
      list.hidden = found.length === 0;
      field.setAttribute("aria-expanded", String(found.length > 0));
      mark(-1);
    }
    field.addEventListener("input", look);
    field.addEventListener("blur", close);
    field.addEventListener("keydown", (event) => {
      if (event.key === "ArrowDown" || event.key === "ArrowUp") {
        if (list.hidden) { look(); }
        if (!found.length || list.hidden) { return; }
        const by = event.key === "ArrowDown" ? 1 : -1;
        mark((place + by + found.length + (place < 0 && by < 0 ? 1 : 0)) % found.length);
        event.preventDefault();
      } else if (event.key === "Enter") {
        event.preventDefault();
        if (!list.hidden && found.length) { choose(found[Math.max(place, 0)]); }
      } else if (event.key === "Escape") {
        if (!list.hidden) { close(); } else { field.value = ""; told.textContent = ""; }
      }
    });
  };
})(morphmap);
