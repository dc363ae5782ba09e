"""What is asked of every page, as scripts that run in it."""

from __future__ import annotations

from playwright.sync_api import Page

#: By how many pixels a page is wider than its window.
TOO_WIDE = "document.documentElement.scrollWidth - document.documentElement.clientWidth"

#: Text that stands out from its ground by less than 4.5:1 (WCAG 2.2, success criterion 1.4.3).
CONTRAST = """
() => {
  const canvas = document.createElement('canvas');
  canvas.width = canvas.height = 1;
  const context = canvas.getContext('2d', { willReadFrequently: true });
  const rgba = (text) => {
    context.clearRect(0, 0, 1, 1);
    context.fillStyle = text;
    context.fillRect(0, 0, 1, 1);
    return [...context.getImageData(0, 0, 1, 1).data];
  };
  const luminance = (c) => c.slice(0, 3).map((v) => v / 255)
    .map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4))
    .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
  const behind = (element) => {
    for (let e = element; e; e = e.parentElement) {
      const colour = rgba(getComputedStyle(e).backgroundColor);
      if (colour[3] === 255) return colour;
    }
    return [255, 255, 255, 255];
  };
  const poor = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const element = walker.currentNode.parentElement;
    if (!walker.currentNode.textContent.trim() || !element.checkVisibility()) continue;
    if (element.closest('noscript, title, .unseen, .skip')) continue;
    const style = getComputedStyle(element);
    if (element.closest('svg') && style.stroke === style.fill) continue;  // the edge behind a text
    const text = luminance(rgba(element.closest('svg') ? style.fill : style.color));
    const ground = luminance(behind(element));
    const ratio = (Math.max(text, ground) + 0.05) / (Math.min(text, ground) + 0.05);
    if (ratio < 4.5) poor.push(walker.currentNode.textContent.trim() + ' ' + ratio.toFixed(2));
  }
  return poor;
}
"""

#: Fields and buttons that have no name.
NAMELESS = """
() => [...document.querySelectorAll('input:not([type=hidden]), select, textarea, button')]
  .filter((field) => !(field.labels?.[0]?.textContent || field.ariaLabel || field.textContent).trim())
  .map((field) => field.outerHTML)
"""


def faults_of(page: Page) -> list[str]:
    """What is wrong with how a page looks: too wide, faint text, fields without a name, headings."""
    faults = [f"faint: {text}" for text in page.evaluate(CONTRAST)]
    faults += [f"nameless: {field}" for field in page.evaluate(NAMELESS)]
    if (wide := page.evaluate(TOO_WIDE)) > 0:
        faults.append(f"{wide} px wider than its window")
    for name in ("h1", "main"):
        if (count := page.locator(name).count()) != 1:
            faults.append(f"{count} elements {name}")
    return faults
