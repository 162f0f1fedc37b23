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

  const apply = (form) => {
    const table = document.getElementById(form.dataset.table);
    const body = table.tBodies[0], wanted = state(form);
    const query = (wanted.get("q") ?? "").toLowerCase().split(/\s+/).filter(Boolean);
    let shown = 0;
    for (const row of body.rows) {
      row.hidden = !keep(row, wanted, query);
      shown += row.hidden ? 0 : 1;
    }
    if (form.elements.sort) body.append(...ordered(body.rows, wanted.get("sort") || "rank"));
    const all = body.rows.length;
    const template = shown === all ? form.dataset.all : shown ? form.dataset.shown : form.dataset.none;
    const told = words(template, { shown, all });
    form.querySelector("output").textContent = told;
    const chosen = [...wanted].filter(([name]) => name !== "sort").map(([name, value]) => chosenWords(form, name, value));
    const line = form.nextElementSibling;
    line.textContent = [told, ...chosen].join("; ");
    line.hidden = false;
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

  // -- Order by a column ----------------------------------------------------------------------------------
  for (const button of document.querySelectorAll("thead button")) {
    button.addEventListener("click", () => {
      const head = button.closest("th"), table = button.closest("table"), body = table.tBodies[0];
      const at = [...head.parentNode.children].indexOf(head);
      const up = head.getAttribute("aria-sort") === "descending" || (!head.hasAttribute("aria-sort") && !head.classList.contains("num"));
      for (const other of head.parentNode.children) other.removeAttribute("aria-sort");
      head.setAttribute("aria-sort", up ? "ascending" : "descending");
      const rows = [...body.rows].map((row) => [cellValue(row.cells[at]), row]);
      rows.sort(([a], [b]) => (a === "" || b === "" ? compare(a, b) : up ? compare(a, b) : compare(b, a)));
      body.append(...rows.map(([, row]) => row));
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
