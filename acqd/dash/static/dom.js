// Small helpers for the document. What comes over the wire becomes text, never markup.

export const by = (id) => document.getElementById(id);

/** An element with a class and text; children are appended as they are. */
export function make(tag, name = "", ...children) {
  const node = document.createElement(tag);
  if (name) node.className = name;
  node.append(...children);
  return node;
}

/** Sets text only where it is another: an unchanged node is not announced again. */
export function say(node, text) {
  const value = text === null || text === undefined ? "" : String(text);
  if (node.textContent !== value) node.textContent = value;
}

export function show(node, shown) {
  if (node.hidden === shown) node.hidden = !shown;
}

/** Keeps the children of ``parent`` in step with ``items``; nodes live on by their key. */
export function keep(parent, items, key, create, update) {
  const names = new Set(items.map((item) => String(key(item))));
  // Gone first: a node that had to move around one would lose the focus.
  for (const node of [...parent.children]) if (!names.has(node.dataset.key)) node.remove();
  const old = new Map([...parent.children].map((node) => [node.dataset.key, node]));
  let before = null;
  for (const item of items) {
    const name = String(key(item));
    let node = old.get(name);
    if (node) old.delete(name);
    else {
      node = create(item);
      node.dataset.key = name;
    }
    const wanted = before ? before.nextSibling : parent.firstChild;
    if (node !== wanted) parent.insertBefore(node, wanted);
    update(node, item);
    before = node;
  }
}

/**
 * A table in ``parent``: rows of texts under heads. Columns whose head begins with "#" are of
 * numbers and line up on the right. Only cells that changed are touched.
 */
export function table(parent, caption, heads, rows) {
  let found = [...parent.children].find((node) => node.dataset.key === caption);
  if (!found) {
    found = make("div", "table-scroll");
    found.dataset.key = caption;
    found.tabIndex = 0;
    found.setAttribute("role", "region");
    found.setAttribute("aria-label", caption);
    const row = make("tr");
    for (const head of heads) {
      const cell = make("th", head.startsWith("#") ? "number" : "", head.replace("#", ""));
      cell.scope = "col";
      row.append(cell);
    }
    found.append(make("table", "", make("caption", "", caption), make("thead", "", row), make("tbody")));
    parent.append(found);
  }
  keep(found.querySelector("tbody"), rows.map((cells, at) => ({ at, cells })), (row) => row.at,
    (row) => {
      const node = make("tr");
      row.cells.forEach((_, at) => {
        const cell = make(at ? "td" : "th", heads[at].startsWith("#") ? "number" : "");
        if (!at) cell.scope = "row";
        node.append(cell);
      });
      return node;
    },
    (node, row) => row.cells.forEach((text, at) => say(node.children[at], text)));
  return found;
}
