// Filters, order and saving of tables. Without it every row is there to be read; nothing is fetched or kept.
"use strict";

(() => {
  const words = (template, values) => template.replace(/\{(\w+)\}/g, (_, name) => String(values[name]));

  const cellValue = (cell) => (cell ? (cell.dataset.v ?? cell.textContent).trim() : "");

  const compare = (a, b) => {
    const x = Number(a), y = Number(b);
    if (a !== "" && b !== "" && Number.isFinite(x) && Number.isFinite(y)) return x - y;
    if (a === "" || b === "") return (a === "") - (b === "");
    return a < b ? -1 : a > b ? 1 : 0;
  };

  // -- Order by a column ----------------------------------------------------------------------------------
  const arrange = (head) => {
    const body = head.closest("table").tBodies[0], at = [...head.parentNode.children].indexOf(head);
    const up = head.getAttribute("aria-sort") === "ascending";
    const rows = [...body.rows].map((row) => [cellValue(row.cells[at]), row]);
    rows.sort(([a], [b]) => (a === "" || b === "" ? compare(a, b) : up ? compare(a, b) : compare(b, a)));
    body.append(...rows.map(([, row]) => row));
  };

  // -- Filters: their state is the address's hash, so that it can be kept, sent and gone back to --------
  const usual = (form, name) => form.elements[name].dataset?.default ?? "";
  const state = (form) => {
    const found = new URLSearchParams();
    for (const [name, value] of new FormData(form)) if (value) found.append(name, value);
    return found;
  };

  const keep = (row, wanted, query) => {
    for (const name of new Set(wanted.keys())) {
      if (name !== "q" && name !== "sort" && wanted.get(name) !== "all" && !wanted.getAll(name).includes(row.dataset[name] ?? "")) return false;
    }
    if (!query.length) return true;
    row.searchable ??= row.textContent.toLowerCase();
    return query.every((word) => row.searchable.includes(word));
  };

  const ordered = (rows, by) => {
    const descending = by !== "rank";
    return [...rows].sort((a, b) => {
      const first = compare(a.dataset[by], b.dataset[by]);
      return (descending ? -first : first) || compare(a.dataset.rank, b.dataset.rank);
    });
  };

  const chosenWords = (form, name, value) => {
    const field = form.elements[name];
    const label = (field.closest?.(".field")?.querySelector("span") ?? form.querySelector("legend")).textContent;
    const chosen = field.selectedOptions?.[0]?.textContent
      ?? form.querySelector(`[name="${name}"][value="${value}"]`)?.closest("label").querySelector(".urgency").textContent.trim() ?? value;
    return `${label}: ${chosen}`;
  };

  // -- The rows of a long list's other parts: read once somebody asks for more than this part shows by itself ---------
  const lists = new WeakMap();

  const read = (place) => new Promise((done, failed) => {
    const script = document.createElement("script");
    script.src = place;
    script.addEventListener("load", () => done(globalThis.tankdriftRows[place]));
    script.addEventListener("error", () => failed(new Error(place)));
    document.head.append(script);
  });

  const rowsOf = ({ rows }) => {
    const held = document.createElement("template");
    held.innerHTML = `<table><tbody>${rows}</tbody></table>`;
    return [...held.content.querySelector("tbody").rows];
  };

  // One part after the other: a desk is not asked for forty pages at once.
  const readAll = async (list) => {
    const every = [], records = document.getElementById(`${list.table.id}-records`);
    const saved = records && JSON.parse(records.textContent);
    for (const [number, place] of list.parts.entries()) {
      if (number === list.at) { every.push(...list.own); continue; }
      const part = await read(place);
      every.push(...rowsOf(part));
      if (saved) Object.assign(saved.rows, part.records);
    }
    if (saved) records.textContent = JSON.stringify(saved);
    list.every = every;
  };

  const listOf = (form) => {
    if (!lists.has(form)) {
      const table = document.getElementById(form.dataset.table);
      const parts = (form.dataset.parts ?? "").split(" ").filter(Boolean);
      lists.set(form, { table, parts, at: Number(form.dataset.at), own: [...table.tBodies[0].rows], every: null, state: "" });
    }
    return lists.get(form);
  };

  const isUsual = (form, wanted) => [...wanted].every(([name, value]) => value === usual(form, name));

  // Rows to look through: of all parts once something is asked for, else this part's own. They are asked for once.
  const rowsFor = (form, wanted) => {
    const list = listOf(form);
    if (!list.parts.length || isUsual(form, wanted)) return list.own;
    if (!list.state) {
      list.state = "reading";
      readAll(list).then(() => { list.state = "read"; }, () => { list.state = "unread"; }).then(() => apply(form));
    }
    return list.every ?? list.own;
  };

  const told = (form, list, rows, shown) => {
    const all = rows.length, template = shown === all ? form.dataset.all : shown ? form.dataset.shown : form.dataset.none;
    const line = words(template, { shown, all });
    if (rows !== list.own || !list.parts.length || isUsual(form, state(form))) return line;
    return list.state === "reading" ? form.dataset.reading : words(form.dataset.unread, { told: line });
  };

  const apply = (form) => {
    const wanted = state(form), list = listOf(form), rows = rowsFor(form, wanted), body = list.table.tBodies[0];
    const query = (wanted.get("q") ?? "").toLowerCase().split(/\s+/).filter(Boolean);
    for (const row of rows) row.hidden = !keep(row, wanted, query);
    const kept = rows.filter((row) => !row.hidden), shown = kept.length;
    if (list.parts.length) body.replaceChildren(...(rows === list.own ? rows : kept));
    if (form.elements.sort) body.append(...ordered(body.rows, wanted.get("sort") || "rank"));
    const head = list.table.tHead.querySelector("th[aria-sort]");
    if (head && list.parts.length) arrange(head);
    const line = told(form, list, rows, shown);
    form.querySelector("output").textContent = line;
    const chosen = [...wanted].filter(([name]) => name !== "sort").map(([name, value]) => chosenWords(form, name, value));
    const printed = form.nextElementSibling;
    printed.textContent = [line, ...chosen].join("; ");
    printed.hidden = false;
  };

  const fill = (form, wanted) => {
    for (const field of form.elements) {
      if (field.type === "checkbox") field.checked = wanted.getAll(field.name).includes(field.value);
      else if (field.name && "value" in field && field.type !== "reset") {
        field.value = wanted.get(field.name) ?? field.dataset.default ?? "";
        if (field.tagName === "SELECT" && field.selectedIndex < 0) field.selectedIndex = 0;
      }
    }
    apply(form);
  };

  const remember = (form) => {
    const wanted = state(form);
    for (const name of new Set(wanted.keys())) if (wanted.get(name) === usual(form, name)) wanted.delete(name);
    const hash = wanted.toString();
    history.replaceState(null, "", hash ? `#${hash}` : location.pathname + location.search);
  };

  for (const form of document.querySelectorAll("form.filters")) {
    form.addEventListener("input", () => { apply(form); remember(form); });
    form.addEventListener("reset", (event) => { event.preventDefault(); fill(form, new URLSearchParams()); remember(form); });
    form.addEventListener("submit", (event) => event.preventDefault());
    const restore = () => fill(form, new URLSearchParams(location.hash.slice(1)));
    window.addEventListener("hashchange", restore);
    restore();
  }

  for (const button of document.querySelectorAll("thead button")) {
    button.addEventListener("click", () => {
      const head = button.closest("th");
      const up = head.getAttribute("aria-sort") === "descending" || (!head.hasAttribute("aria-sort") && !head.classList.contains("num"));
      for (const other of head.parentNode.children) other.removeAttribute("aria-sort");
      head.setAttribute("aria-sort", up ? "ascending" : "descending");
      arrange(head);
    });
  }

  // -- Save as a file: what is shown -----------------------------------------------
  const quoted = (value) => {
    const plain = value === null ? "" : String(value);
    const safe = typeof value === "string" && /^[=+\-@\t\r]/.test(value) ? `'${plain}` : plain;
    return /[",\r\n]/.test(safe) ? `"${safe.replaceAll('"', '""')}"` : safe;
  };

  const save = (name, content) => {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob(["\ufeff", content], { type: "text/csv" }));
    link.download = name;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  };

  // What is shown, in its order; a record of a row, where the page has them, has whole cells with names and units.
  const csvOf = (table) => {
    const records = document.getElementById(`${table.id}-records`);
    const told = (row) => [...row.cells].map((cell) => cell.innerText.replace(/\s+/g, " ").trim());
    const { columns, rows } = records ? JSON.parse(records.textContent) : { columns: told(table.tHead.rows[0]) };
    const visible = [...table.tBodies[0].rows].filter((row) => !row.hidden);
    const shown = visible.map((row) => (records ? rows[row.dataset.key] : told(row)));
    return [columns, ...shown].map((cells) => cells.map((cell) => quoted(cell)).join(",")).join("\r\n") + "\r\n";
  };

  for (const button of document.querySelectorAll("button[data-save]")) {
    button.addEventListener("click", () => save(`${button.dataset.save}.csv`, csvOf(document.getElementById(button.dataset.save))));
  }
})();
