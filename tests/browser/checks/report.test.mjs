// What a reader meets: a page that loads in silence, fits every screen, can be read by everybody, and prints.
import { describe, test } from 'node:test';
import assert from 'node:assert/strict';
import { execFileSync } from 'node:child_process';
import { createRequire } from 'node:module';
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { browsing, reports } from './support.mjs';

const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
const opened = browsing();

/** Elements that reach over the right edge of the window, for a message that says where to look. */
const reachingOver = (page) => page.evaluate(() => {
  const wide = document.documentElement.clientWidth;
  const clipped = (node) => {
    for (let up = node.parentElement; up; up = up.parentElement) {
      if (getComputedStyle(up).overflowX !== 'visible') { return true; }
    }
    return false;
  };
  return Array.from(document.querySelectorAll('body *'))
    .filter((node) => node.getBoundingClientRect().right > wide + 1 && !clipped(node))
    .slice(0, 5).map((node) => `${node.tagName} ${node.className} "${node.textContent.trim().slice(0, 40)}"`);
});

for (const { name, path } of reports()) {
  describe(name, () => {
    test('loads in silence and asks for nothing but itself', () => opened(path, {}, async ({ page, troubles }) => {
      assert.match(await page.title(), /report/);
      // Scrolled through once, so that what is rendered late has been rendered too.
      await page.evaluate(async () => {
        for (let y = 0; y < document.body.scrollHeight; y += 2000) {
          scrollTo(0, y);
          await new Promise((done) => requestAnimationFrame(done));
        }
      });
      assert.deepEqual(troubles, []);
      assert.equal(await page.evaluate(() => performance.getEntriesByType('resource')
        .filter((entry) => !entry.name.startsWith('data:')).length), 0);
    }));

    for (const width of [360, 1280, 1920]) {
      test(`fits a window of ${width} px`, () => opened(path, { width }, async ({ page }) => {
        const over = await page.evaluate(() => {
          // Late rendering would hide what is too wide.
          document.querySelectorAll('section').forEach((node) => { node.style.contentVisibility = 'visible'; });
          document.querySelectorAll('details').forEach((node) => { node.open = true; });
          return document.documentElement.scrollWidth - document.documentElement.clientWidth;
        });
        assert.ok(over <= 0, `${over} px too wide: ${(await reachingOver(page)).join('; ')}`);
      }));
    }

    for (const colorScheme of ['light', 'dark']) {
      test(`has no finding of axe in ${colorScheme} colours`, () => opened(path, { colorScheme }, async ({ page }) => {
        await page.evaluate(() => {
          document.querySelectorAll('section').forEach((node) => { node.style.contentVisibility = 'visible'; });
          document.querySelectorAll('details').forEach((node) => { node.open = true; });
        });
        await page.evaluate(() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done))));
        await page.evaluate(axe);
        const found = await page.evaluate(async () => {
          const result = await globalThis.axe.run(document, { resultTypes: ['violations'] });
          return result.violations.map((v) => `${v.id} (${v.nodes.length}): ${v.help}; first: ${v.nodes[0].html.slice(0, 160)} ${v.nodes[0].any[0]?.message ?? ''}`);
        });
        assert.deepEqual(found, []);
      }));
    }

    test('shows everything without JavaScript', () => opened(path, { javaScriptEnabled: false }, async ({ page }) => {
      assert.equal(await page.locator('.filter').isVisible(), false);
      const sections = page.locator('main > section');
      assert.ok(await sections.count() >= 16);
      for (const part of await page.locator('main > section h2').all()) {
        // Sections out of sight are laid out when they come near.
        await part.scrollIntoViewIfNeeded();
        assert.ok(await part.isVisible());
      }
      const gone = await page.locator('.gone').count();
      assert.equal(gone, 0);
      const rows = page.locator('#conditions ~ .scroll tbody tr');
      for (const index of [0, await rows.count() - 1].filter((at) => at >= 0)) {
        await rows.nth(index).scrollIntoViewIfNeeded();
        assert.ok(await rows.nth(index).isVisible());
      }
      // Folded parts open, and open ones fold, by themselves, without a script.
      const open = (summary) => summary.evaluate((node) => node.parentElement.open);
      for (const summary of await page.locator('main details > summary').all()) {
        const before = await open(summary);
        await summary.click();
        assert.notEqual(await open(summary), before);
      }
    }));

    test('can be walked by keyboard', () => opened(path, {}, async ({ page }) => {
      await page.keyboard.press('Tab');
      assert.equal(await page.evaluate(() => document.activeElement.className), 'skip');
      assert.ok(await page.locator('.skip').evaluate((node) => node.getBoundingClientRect().left >= 0));
      await page.keyboard.press('Enter');
      await page.waitForFunction(() => window.location.hash === '#summary', undefined, { timeout: 5000 });
      const reached = new Set();
      for (let step = 0; step < 400; step += 1) {
        await page.keyboard.press('Tab');
        const at = await page.evaluate(() => {
          const node = document.activeElement;
          return node === document.body ? '' : node.dataset.verdict !== undefined ? 'filter' : node.tagName;
        });
        if (at === '') { break; }
        reached.add(at);
      }
      assert.ok(reached.has('SUMMARY') || reached.has('filter'), Array.from(reached).join(' '));
    }));

    test('prints with its number and page numbers on every page', () => opened(path, {}, async ({ page }) => {
      const id = await page.locator('.head .id b').textContent();
      const pdf = await page.pdf({ preferCSSPageSize: true, printBackground: true });
      const folder = mkdtempSync(join(tmpdir(), 'report-'));
      try {
        const file = join(folder, 'report.pdf');
        writeFileSync(file, pdf);
        const pages = Number(/^Pages:\s+(\d+)/m.exec(execFileSync('pdfinfo', [file], { encoding: 'utf8' }))[1]);
        const text = execFileSync('pdftotext', ['-layout', file, '-'], { encoding: 'utf8', maxBuffer: 1 << 28 });
        const sheets = text.split('\f').slice(0, pages);
        assert.ok(pages >= 3, `${pages} pages`);
        // A look at 22 jobs and a run of hundreds: what a signer needs, no more.
        const most = { 'quick-look': 10, 'two-thousand': 60 }[name] ?? 25;
        assert.ok(pages <= most, `${pages} pages are too many to sign, goal ${most}`);
        sheets.forEach((sheet, at) => {
          assert.match(sheet, new RegExp(`Page\\s+${at + 1}\\s+of\\s+${pages}`), `page ${at + 1}`);
          // A hostile identifier is cut by the margin box; its visible beginning must be there.
          assert.ok(sheet.includes('Report '), `page ${at + 1} has no report number`);
          if (/^NB-\w+$/.test(id)) { assert.ok(sheet.includes(`Report ${id}`), `page ${at + 1}`); }
        });
        assert.ok(text.includes('End of report'));
        const simulated = await page.locator('.banner').count() > 0;
        sheets.forEach((sheet, at) =>
          assert.equal(sheet.includes('SIMULATED - not measured'), simulated, `page ${at + 1}`));
      } finally { rmSync(folder, { recursive: true }); }
    }));
  });
}
