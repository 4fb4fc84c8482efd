(() => {
  "use strict";
  const number = text => {
    const found = text.replace(/\u2212/g, "-").replace(/[\u202f\u00a0 ,](?=\d{3})/g, "").match(/^[<+]?\s*([-+]?\d+(\.\d+)?)/);
    return found ? parseFloat(found[1]) : null;
  };
  for (const table of document.querySelectorAll("table.sorts")) {
    const body = table.tBodies[0];
    if (!body || body.rows.length < 2) continue;
    [...table.tHead.rows[0].cells].forEach((heading, column) => {
      const button = document.createElement("button");
      button.type = "button";
      while (heading.firstChild) button.append(heading.firstChild);
      heading.append(button);
      button.addEventListener("click", () => {
        const down = heading.getAttribute("aria-sort") === "ascending";
        for (const other of heading.parentNode.cells) other.removeAttribute("aria-sort");
        heading.setAttribute("aria-sort", down ? "descending" : "ascending");
        const rows = [...body.rows].map(row => {
          const text = row.cells[column].textContent.trim();
          return [row, text, number(text)];
        });
        const numeric = rows.every(([, text, value]) => value !== null || text === "" || text === "\u2013");
        rows.sort(([, a, x], [, b, y]) => {
          const empty = numeric ? (x === null) - (y === null) : (a === "") - (b === "");
          if (empty) return empty;
          const order = numeric ? x - y : a.localeCompare(b, "en", {numeric: true});
          return down ? -order : order;
        });
        body.append(...rows.map(([row]) => row));
      });
    });
  }
})();
