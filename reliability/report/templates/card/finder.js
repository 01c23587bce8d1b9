// Finding a family or model by any part of its name: a text field with a list below it.

const MOST_SHOWN = 40;

const KNOWN = [
  ...FAMILIES.names.map((name) => ({ name, family: name, field: "family", beside: FAMILIES.kindOf(name) })),
  ...[...MODELS]
    .filter(([name]) => !FAMILIES.has(name))
    .map(([name, family]) => ({ name, family, field: "model", beside: `model of ${family}` })),
].map((item) => ({ ...item, folded: fold(item.name) }));

function placeOf(item, wanted) {
  if (item.folded.startsWith(wanted)) return 0;
  return ` ${item.folded}`.includes(` ${wanted}`) ? 1 : 2;
}

function found(text) {
  const wanted = fold(cleanText(text));
  const words = wanted.split(/\s+/);
  return KNOWN.filter((item) => words.every((word) => item.folded.includes(word)))
    .map((item) => [placeOf(item, wanted), item])
    .sort(([a, one], [b, other]) => a - b || (one.folded < other.folded ? -1 : 1))
    .map(([, item]) => item);
}

// The one that is meant by what stands in the field, or null.
function meant(text) {
  const name = cleanText(text);
  const exact = KNOWN.find((item) => item.name === name);
  if (exact || !name) return exact ?? null;
  const alike = KNOWN.filter((item) => item.folded === fold(name));
  return alike.length === 1 ? alike[0] : null;
}

function startFinder(input, list, changed, chosen) {
  let [items, at, open] = [[], -1, false];

  const close = () => {
    open = false;
    list.hidden = true;
    input.setAttribute("aria-expanded", "false");
    input.removeAttribute("aria-activedescendant");
  };
  const mark = (place) => {
    at = place;
    items.forEach((_, i) => list.children[i].setAttribute("aria-selected", String(i === at)));
    if (at < 0) input.removeAttribute("aria-activedescendant");
    else {
      input.setAttribute("aria-activedescendant", `name-${at}`);
      list.children[at].scrollIntoView({ block: "nearest" });
    }
  };
  const choose = (item) => {
    input.value = item.name;
    close();
    changed();
    chosen();
  };
  const show = () => {
    const all = found(input.value);
    items = all.slice(0, MOST_SHOWN);
    list.replaceChildren(
      ...items.map((item, i) => {
        const inside = [nameOf(item.name), make("small", {}, nameOf(item.beside))];
        return make("li", { id: `name-${i}`, role: "option", "aria-selected": "false" }, ...inside);
      }),
    );
    const hidden = all.length - items.length;
    if (hidden) {
      const rest = { role: "option", "aria-disabled": "true", "aria-selected": "false" };
      list.append(make("li", rest, `${hidden} more: type on`));
    }
    open = items.length > 0;
    list.hidden = !open;
    input.setAttribute("aria-expanded", String(open));
    mark(-1);
  };

  input.addEventListener("input", () => {
    show();
    changed();
  });
  input.addEventListener("click", () => open || show());
  input.addEventListener("blur", () => {
    close();
    changed();
  });
  input.addEventListener("keydown", (event) => {
    const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (step) {
      event.preventDefault();
      if (!open) show();
      if (open) mark(at < 0 && step < 0 ? items.length - 1 : (at + step + items.length) % items.length);
    } else if (event.key === "Enter" && open) {
      event.preventDefault();
      choose(items[Math.max(at, 0)]);
    } else if (event.key === "Escape") {
      if (open) close();
      else input.value = "";
      changed();
    }
  });
  // A press on the list must not take the focus from the field, which would close the list before the click.
  for (const press of ["pointerdown", "mousedown"]) list.addEventListener(press, (event) => event.preventDefault());
  list.addEventListener("click", (event) => {
    const place = [...list.children].indexOf(event.target.closest("li"));
    if (items[place]) choose(items[place]);
  });
  return { isOpen: () => open };
}
