// The field at the top of each page: finds a tank, site, case, meter or ticket by its name. Where they are is read once
// somebody looks for something. Without scripts the field is not there.
"use strict";

(() => {
  const form = document.getElementById("find");
  if (!form) return;
  const field = form.querySelector("input"), list = form.querySelector("ul"), most = 12;
  let places = null, shown = [], at = -1;

  const hrefOf = ([kind, name, , page, hash]) => {
    const href = form.dataset.root + places.pages[page];
    return href + (hash ?? places.hashes[kind].replace("{}", encodeURIComponent(name)));
  };

  // The name itself before what begins with it before what has it somewhere; kinds in their order.
  const rank = ([kind, name], query) => {
    const low = name.toLowerCase();
    return (low === query ? 0 : low.startsWith(query) ? 10 : 20) + kind;
  };

  const mark = (to) => {
    at = to;
    [...list.children].forEach((item, i) => item.setAttribute("aria-selected", String(i === at)));
    if (at < 0) field.removeAttribute("aria-activedescendant");
    else field.setAttribute("aria-activedescendant", list.children[at].id);
  };

  const close = () => {
    list.hidden = true;
    field.setAttribute("aria-expanded", "false");
    mark(-1);
  };

  const show = () => {
    const query = field.value.trim().toLowerCase();
    if (!query || !places) return close();
    const words = query.split(/\s+/);
    const fits = places.all.filter(([, name, more]) => {
      const text = `${name} ${more}`.toLowerCase();
      return words.every((word) => text.includes(word));
    });
    shown = fits.map((one, i) => [rank(one, query), i, one]).sort((a, b) => a[0] - b[0] || a[1] - b[1]).slice(0, most).map(([, , one]) => one);
    list.replaceChildren(...shown.map((one, i) => {
      const item = document.createElement("li"), link = document.createElement("a"), more = document.createElement("small");
      item.id = `found-${i}`;
      item.setAttribute("role", "option");
      link.href = hrefOf(one);
      link.tabIndex = -1;
      link.textContent = one[1];
      more.textContent = [places.kinds[one[0]], one[2]].filter(Boolean).join(", ");
      link.append(more);
      item.append(link);
      return item;
    }));
    if (!shown.length) {
      const item = document.createElement("li");
      item.id = "found-0";
      item.setAttribute("role", "option");
      item.setAttribute("aria-disabled", "true");
      item.textContent = form.dataset.none;
      list.append(item);
    }
    list.hidden = false;
    field.setAttribute("aria-expanded", "true");
    mark(shown.length ? 0 : -1);
  };

  const load = () => {
    if (places !== null) return;
    places = false;
    const script = document.createElement("script");
    script.src = form.dataset.places;
    script.addEventListener("load", () => { places = globalThis.tankdriftPlaces; show(); });
    document.head.append(script);
  };

  field.addEventListener("focus", load);
  field.addEventListener("input", () => { load(); show(); });
  field.addEventListener("keydown", (event) => {
    if (event.key === "Escape") { field.value = ""; close(); }
    const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (!step || !shown.length || list.hidden) return;
    event.preventDefault();
    mark((at + step + shown.length) % shown.length);
  });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    if (list.hidden || at < 0) return;
    const href = list.children[at].querySelector("a").href;
    close();
    location.href = href;
  });
  form.addEventListener("focusout", (event) => { if (!form.contains(event.relatedTarget)) close(); });
  list.addEventListener("mousedown", (event) => event.preventDefault());
  list.addEventListener("click", close);
  document.addEventListener("keydown", (event) => {
    const isTyping = event.target.closest?.("input, textarea, select, [contenteditable]");
    if (event.key !== "/" || isTyping || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    field.focus();
  });
  form.hidden = false;
})();
