// What stands in a table can be read: on a narrow screen no verdict is cut off, and on paper no text runs into what stands beside it.
import { describe, test } from 'node:test';
import assert from 'node:assert/strict';
import { browsing, reports } from './support.mjs';

const opened = browsing();

/** Width of what is printed on A4 with the margins of the style sheet, px. */
const PAPER = Math.round((210 - 2 * 12) / 25.4 * 96);

/** Texts in `boxes` that reach over the right edge of their box, for a message that says which. */
const outside = (page, boxes) => page.evaluate((selector) => {
  document.querySelectorAll('section').forEach((node) => { node.style.contentVisibility = 'visible'; });
  const found = [];
  document.querySelectorAll(selector).forEach((box) => {
    const right = box.getBoundingClientRect().right + 1;
    const texts = document.createTreeWalker(box, NodeFilter.SHOW_TEXT);
    while (texts.nextNode()) {
      const node = texts.currentNode;
      if (!node.textContent.trim() || node.parentElement.closest('svg, caption.hidden')) { continue; }
      const range = document.createRange();
      range.selectNodeContents(node);
      const over = Math.max(0, ...Array.from(range.getClientRects(), (rect) => rect.right - right));
      if (over > 0) { found.push(`${over.toFixed(0)} px: "${node.textContent.trim().slice(0, 40)}"`); }
    }
  });
  return found.slice(0, 5);
}, boxes);

for (const { name, path } of reports()) {
  describe(name, () => {
    test('an eye shows its verdict on a narrow screen without scrolling', () => opened(path, { width: 400, height: 800 }, async ({ page }) => {
      assert.deepEqual(await outside(page, '.card .scroll:has(> .metric:not(details *)), .worst-case .scroll'), []);
    }));

    test('the matrix is there on a narrow screen', () => opened(path, { width: 400, height: 800 }, async ({ page }) => {
      const narrowest = await page.evaluate(() => {
        document.querySelectorAll('section').forEach((node) => { node.style.contentVisibility = 'visible'; });
        const boxes = Array.from(document.querySelectorAll('#matrices > .scroll'), (box) => box.clientWidth);
        return Math.min(...boxes);
      });
      // Infinity where a run has no condition, and so no table.
      assert.ok(narrowest > 250, `a table of the matrix has a window of ${narrowest} px`);
    }));

    test('no text on paper runs out of its eye or its cell', () => opened(path, { width: PAPER }, async ({ page }) => {
      await page.emulateMedia({ media: 'print' });
      assert.deepEqual(await outside(page, '.card'), []);
      assert.deepEqual(await outside(page, '.worst-case, .matrix td, .list td, .num td'), []);
    }));
  });
}
