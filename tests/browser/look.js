// Looks at the page once it is loaded and leaves what it finds in the title of the window, as JSON.
const violations = [];
document.addEventListener("securitypolicyviolation", (e) => violations.push(e.blockedURI || e.violatedDirective));
window.addEventListener("load", () => {
  const shown = (e) => e.checkVisibility({ contentVisibilityAuto: true, opacityProperty: true, visibilityProperty: true });
  // Every piece of text that is shown, a box a line, without the room above and below its letters.
  const boxes = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node = walk.nextNode(); node; node = walk.nextNode()) {
    const parent = node.parentElement;
    if (!node.data.trim() || !shown(parent) || parent.closest("script, style")) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    const text = node.data.trim().slice(0, 30);
    const svg = parent.closest("svg");
    const rects = svg ? [parent.getBoundingClientRect()] : [...range.getClientRects()];
    for (const r of rects) {
      const room = 0.18 * Math.min(r.height, r.width);
      if (r.width > 1 && r.height > 1) {
        boxes.push({ node, text, svg, left: r.left + 0.5, right: r.right - 0.5, top: r.top + room, bottom: r.bottom - room });
      }
    }
  }
  boxes.sort((a, b) => a.top - b.top);
  const overlaps = [];
  boxes.forEach((a, k) => {
    for (let j = k + 1; j < boxes.length && boxes[j].top < a.bottom; j++) {
      const b = boxes[j];
      if (b.node !== a.node && a.left < b.right && b.left < a.right) overlaps.push(`${a.text} | ${b.text}`);
    }
  });
  // Labels of figures that reach out of their figure.
  const cut = boxes.filter((b) => {
    const f = b.svg?.getBoundingClientRect();
    return f && (b.left < f.left - 1 || b.right > f.right + 1 || b.top < f.top - 1 || b.bottom > f.bottom + 1);
  });
  const broken = [...document.images].filter((i) => !(i.complete && i.naturalWidth > 0)).map((i) => i.alt || "image");
  const luminance = (colour) => {
    const linear = (c) => (c <= 0.03928 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4);
    const [r, g, b] = colour.match(/[\d.]+/g).map((v) => linear(v / 255));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const paper = luminance(getComputedStyle(document.documentElement).backgroundColor.replace("rgba(0, 0, 0, 0)", "rgb(255, 255, 255)"));
  const inks = [...document.querySelectorAll("h1, p, td, figcaption")].map((e) => luminance(getComputedStyle(e).color));
  const contrast = Math.min(...inks.map((ink) => (Math.max(ink, paper) + 0.05) / (Math.min(ink, paper) + 0.05)));
  top.document.title = JSON.stringify({
    width: innerWidth,
    scroll: document.documentElement.scrollWidth,
    texts: boxes.length,
    figures: document.querySelectorAll("svg.figure").length,
    overlaps,
    cut: cut.map((b) => b.text),
    requests: performance.getEntriesByType("resource").map((r) => r.name).filter((n) => !n.startsWith("data:")),
    violations,
    broken,
    paper,
    contrast,
  });
});
