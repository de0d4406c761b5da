// Sorts the table of frames. Cells say in data-v what they are sorted by; empty ones come last.
(() => {
  const table = document.getElementById("frames");
  if (!table) return;
  const body = table.tBodies[0];
  const heads = [...table.tHead.rows[0].cells];
  const value = (row, column) => row.cells[column].dataset.v;
  const compare = (a, b) => {
    const [x, y] = [Number(a), Number(b)];
    if (!Number.isNaN(x) && !Number.isNaN(y)) return x - y;
    return a.localeCompare(b, undefined, { numeric: true });
  };
  heads.forEach((head, column) => {
    head.querySelector("button").addEventListener("click", () => {
      const down = head.getAttribute("aria-sort") === "ascending";
      heads.forEach((other) => other.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", down ? "descending" : "ascending");
      const rows = [...body.rows];
      rows.sort((r, s) => {
        const [a, b] = [value(r, column), value(s, column)];
        if (a === undefined || b === undefined) return (a === undefined) - (b === undefined);
        return down ? compare(b, a) : compare(a, b);
      });
      body.append(...rows);
    });
  });
})();
