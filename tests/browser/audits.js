// What a page is asked in the browser. Each function gives a list of faults in words; an empty list is good.
const audits = (() => {
  const shown = (element) => {
    const style = getComputedStyle(element);
    return element.getClientRects().length > 0 && style.visibility === "visible";
  };
  const name = (element) => {
    const words = (element.textContent || element.alt || "").trim().replace(/\s+/g, " ").slice(0, 50);
    return `${element.localName}.${element.className} "${words}"`;
  };

  // Colours as [red, green, blue, alpha], the first three from 0 to 1, whatever the notation.
  const pixel = document.createElement("canvas").getContext("2d", { willReadFrequently: true });
  const known = new Map();
  const colour = (text) => {
    if (!known.has(text)) {
      pixel.clearRect(0, 0, 1, 1);
      pixel.fillStyle = text;
      pixel.fillRect(0, 0, 1, 1);
      known.set(text, [...pixel.getImageData(0, 0, 1, 1).data].map((part) => part / 255));
    }
    return known.get(text);
  };
  const over = (top, ground) => [0, 1, 2].map((i) => top[i] * top[3] + ground[i] * (1 - top[3]));
  // WCAG 2.2, definitions of relative luminance and contrast ratio.
  const luminance = (rgb) => {
    const [r, g, b] = rgb.map((part) => (part <= 0.04045 ? part / 12.92 : ((part + 0.055) / 1.055) ** 2.4));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const contrast = (one, two) => {
    const [low, high] = [luminance(one), luminance(two)].sort((a, b) => a - b);
    return (high + 0.05) / (low + 0.05);
  };
  // Every ground that a text may stand on: the stops of gradients count each by itself, the worst one decides.
  const grounds = (element) => {
    const layers = [];
    for (let at = element; at !== null; at = at.parentElement) layers.unshift(getComputedStyle(at));
    let found = [[1, 1, 1]];
    for (const style of layers) {
      found = found.map((ground) => over(colour(style.backgroundColor), ground));
      const stops = style.backgroundImage.match(/rgba?\([^)]*\)/g) || [];
      found = found.flatMap((ground) => [ground, ...stops.map((stop) => over(colour(stop), ground))]);
    }
    return found;
  };
  const texts = () => {
    const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    const found = new Set();
    for (let node = walker.nextNode(); node !== null; node = walker.nextNode()) {
      const element = node.parentElement;
      if (node.data.trim() && shown(element) && !["script", "style"].includes(element.localName)) found.add(element);
    }
    return [...found];
  };
  const enough = (style) => {
    const large = parseFloat(style.fontSize) >= 24 || (parseFloat(style.fontSize) >= 18.66 && style.fontWeight >= 700);
    return large ? 3 : 4.5;
  };

  const state = (table) => ({
    caption: table.closest("figure")?.querySelector("figcaption")?.textContent ?? "",
    heads: [...table.tHead.rows[0].cells].map((cell) => ({
      text: cell.textContent,
      button: cell.querySelector("button") !== null,
      sort: cell.getAttribute("aria-sort"),
      numeric: cell.classList.contains("n"),
    })),
    rows: [...table.tBodies[0].rows].map((row) => [...row.cells].map((cell) => cell.textContent.trim())),
  });

  return {
    alternatives: () => {
      const faults = [];
      for (const image of document.querySelectorAll("img")) {
        if (!(image.getAttribute("alt") || "").trim()) faults.push(`image without a text alternative: ${name(image)}`);
        if (shown(image) && !(image.complete && image.naturalWidth > 0)) faults.push(`image not drawn: ${name(image)}`);
      }
      for (const drawing of document.querySelectorAll("svg")) {
        const named = drawing.getAttribute("aria-label") || drawing.querySelector("title");
        if (drawing.getAttribute("aria-hidden") !== "true" && !named) faults.push("drawing without a text alternative");
      }
      return faults;
    },

    // paper: what stands on a coloured ground loses it on paper.
    contrasts: (paper) =>
      texts().flatMap((element) => {
        const style = getComputedStyle(element);
        const ink = colour(style.color);
        const worst = Math.min(...(paper ? [[1, 1, 1]] : grounds(element)).map((g) => contrast(over(ink, g), g)));
        return worst < enough(style) - 0.005 ? [`contrast ${worst.toFixed(2)}: ${name(element)}`] : [];
      }),

    // Nothing may lie to the right of the window but what a box of its own scrolls to.
    widths: () => {
      const room = document.documentElement.clientWidth;
      const faults = [];
      if (document.documentElement.scrollWidth > room)
        faults.push(`the page is ${document.documentElement.scrollWidth} wide, the window ${room}`);
      const scrolls = (element) => ["auto", "scroll"].includes(getComputedStyle(element).overflowX);
      for (const element of document.body.querySelectorAll("*")) {
        let box = element.parentElement;
        while (box !== document.body && !scrolls(box)) box = box.parentElement;
        if (box !== document.body || !shown(element)) continue;
        const { left, right } = element.getBoundingClientRect();
        if (right > room + 0.5 || (left < -0.5 && right > 0))
          faults.push(`from ${left.toFixed(0)} to ${right.toFixed(0)} of ${room}: ${name(element)}`);
      }
      return faults;
    },

    // What goes on sheets of its own, laid sideways, has more room than the rest.
    hideSideways: (hidden) => {
      for (const element of document.querySelectorAll("figure"))
        if (getComputedStyle(element).page !== "auto") element.hidden = hidden;
    },

    sizes: () =>
      texts().flatMap((element) => {
        const size = parseFloat(getComputedStyle(element).fontSize);
        return size < 12 ? [`text of ${size} pixels: ${name(element)}`] : [];
      }),

    // Headings go down one level at a time, the first is the only one of its level; the language is said.
    outline: () => {
      const faults = [];
      const levels = [...document.querySelectorAll("h1, h2, h3, h4, h5, h6")].map((h) => Number(h.localName[1]));
      if (levels[0] !== 1 || levels.filter((level) => level === 1).length !== 1) faults.push(`headings: ${levels}`);
      levels.forEach((level, i) => {
        if (i && level > levels[i - 1] + 1) faults.push(`heading ${i + 1} skips a level`);
      });
      if (!document.documentElement.lang) faults.push("no language");
      const ids = [...document.querySelectorAll("[id]")].map((element) => element.id);
      if (new Set(ids).size < ids.length) faults.push("an id occurs twice");
      for (const head of document.querySelectorAll("th")) if (!head.scope) faults.push(`no scope: ${name(head)}`);
      return faults;
    },

    focused: () => {
      const element = document.activeElement;
      if (element === document.body) return null;
      const style = getComputedStyle(element);
      const box = element.getBoundingClientRect();
      return {
        name: name(element),
        place: [...document.querySelectorAll("*")].indexOf(element),
        ring: style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2,
        ringContrast: contrast(colour(style.outlineColor).slice(0, 3), [1, 1, 1]),
        inView: box.bottom > 0 && box.top < innerHeight && box.right > 0 && box.left < innerWidth,
      };
    },
    stops: () => [...document.querySelectorAll("a[href], button, [tabindex='0']")].filter(shown).length,

    tables: () => [...document.querySelectorAll("table")].map(state),
    // The states of a table after one, two and three presses of a head.
    press: (place, head) => {
      const table = document.querySelectorAll("table")[place];
      return [1, 2, 3].map(() => {
        table.tHead.rows[0].cells[head].querySelector("button").click();
        return state(table);
      });
    },
    focusOn: (table, head) =>
      document.querySelectorAll("table")[table].tHead.rows[0].cells[head].querySelector("button").focus(),
  };
})();
