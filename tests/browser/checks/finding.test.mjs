// Finding things: filter, order, the matrix over any two factors, links, two eyes side by side.
import { describe, test } from 'node:test';
import assert from 'node:assert/strict';
import { browsing, reports } from './support.mjs';

const opened = browsing();

const ROWS = '#conditions ~ .scroll tbody tr';
const shown = (page) => page.locator(`${ROWS}:not(.gone)`).count();

for (const { name, path } of reports()) {
  describe(name, () => {
    test('the filter narrows lists and matrix by verdict, and gives everything back', () => opened(path, {}, async ({ page, troubles }) => {
      const all = await shown(page);
      const fails = await page.locator(`${ROWS}.vf`).count();
      await page.locator('[data-verdict]').selectOption('vf');
      assert.equal(await shown(page), fails);
      assert.match(await page.locator('.filter output').textContent(), new RegExp(`^${fails} `));
      const others = await page.locator('#matrices td[data-l]:not(.vf):not(.dim)').count();
      assert.equal(others, 0, 'cells of other verdicts stand back');
      assert.equal(await page.locator('.card[data-l]:not(.vf):not(.gone)').count(), 0);
      await page.locator('.filter button[type=reset]').click();
      await page.waitForFunction(() => document.querySelectorAll('.gone, .dim').length === 0);
      assert.equal(await shown(page), all);
      assert.deepEqual(troubles, []);
    }));

    test('the filter narrows by each level of each factor', () => opened(path, {}, async ({ page }) => {
      for (const select of await page.locator('.filter select[data-place]').all()) {
        const place = Number(await select.getAttribute('data-place'));
        const levels = await select.locator('option').count();
        for (let level = 1; level < levels; level += 1) {
          await select.selectOption({ index: level });
          const wrong = await page.locator(`${ROWS}:not(.gone)`).evaluateAll(
            (rows, [at, wanted]) => rows.filter((row) => row.dataset.l.split('.')[at] !== wanted).length,
            [place, String(level - 1)]);
          assert.equal(wrong, 0);
        }
        await select.selectOption('');
      }
    }));

    test('lists are ordered worst first or as planned', () => opened(path, {}, async ({ page }) => {
      const lists = page.locator('#conditions ~ .scroll tbody');
      const order = (key) => lists.evaluateAll((all, k) => all.map((list) => [...list.rows].map((row) => Number(row.dataset[k]))), key);
      const rising = (all) => all.every((list) => list.every((value, at) => at === 0 || list[at - 1] <= value));
      assert.ok(rising(await order('rank')), 'worst first to begin with');
      await page.locator('[data-sort]').selectOption('order');
      assert.ok(rising(await order('order')));
      await page.locator('[data-sort]').selectOption('rank');
      assert.ok(rising(await order('rank')));
    }));

    test('the matrix turns to any two factors and keeps every cell', () => opened(path, {}, async ({ page }) => {
      const rows = page.locator('[data-rows]');
      if (await rows.count() === 0) { return; }
      const cells = () => page.locator('#matrices td[data-l]').evaluateAll((list) => list.map((cell) => cell.dataset.l).sort());
      const before = await cells();
      const factors = await rows.locator('option').evaluateAll((list) => list.map((option) => option.value).filter(Boolean));
      for (const one of factors) {
        for (const two of factors.filter((other) => other !== one)) {
          await rows.selectOption(one);
          await page.locator('[data-columns]').selectOption(two);
          assert.deepEqual(await cells(), before, `rows ${one}, columns ${two}`);
        }
      }
      await page.locator('.filter button[type=reset]').click();
      await page.waitForFunction(() => document.querySelectorAll('#matrices table.matrix').length > 0);
      assert.deepEqual(await cells(), before);
    }));

    test('cells lead to the eye or the line they speak of', () => opened(path, {}, async ({ page, url }) => {
      const links = page.locator('#matrices td a');
      const count = await links.count();
      for (const at of new Set([0, Math.floor(count / 2), count - 1].filter((n) => n >= 0 && n < count))) {
        await page.goto(url);
        const target = await links.nth(at).getAttribute('href');
        await links.nth(at).click();
        const box = page.locator(`[id="${target.slice(1)}"]`);
        await box.waitFor({ state: 'visible' });
        const top = await box.evaluate((node) => node.getBoundingClientRect().top);
        assert.ok(top > -50 && top < 900, `${target} is ${top} px from the top after the jump`);
      }
      for (const anchor of await page.locator('a[href^="#"]').evaluateAll((list) => list.map((a) => a.getAttribute('href')))) {
        assert.ok(await page.evaluate((id) => document.getElementById(id) !== null, anchor.slice(1)), anchor);
      }
    }));

    test('two eyes stand side by side with their outlines over each other', () => opened(path, {}, async ({ page }) => {
      const cards = await page.locator('.card[data-eye]').count();
      if (cards < 2) { return; }
      await page.locator('[data-side="0"]').selectOption('1');
      assert.equal(await page.locator('.side .card').count(), 2);
      assert.equal(await page.locator('.side figure svg path.line').count(), 2);
      const left = await page.locator('.side .card h3').first().textContent();
      const chosen = await page.locator('.card[data-eye] h3').nth(1).textContent();
      assert.equal(left.trim(), chosen.trim());
    }));

    test('is usable within a second', () => opened(path, {}, async ({ page }) => {
      const ready = await page.evaluate(() => performance.getEntriesByType('navigation')[0].domContentLoadedEventEnd);
      const began = Date.now();
      await page.locator('[data-verdict]').selectOption('vf');
      await page.evaluate(() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done))));
      const filtered = Date.now() - began;
      console.log(`# ${name}: ready after ${ready.toFixed(0)} ms, filtered in ${filtered} ms`);
      // The machine that tests may be slow and shared: twice the goal is the alarm, the figure is printed.
      assert.ok(ready < 2000 && filtered < 2000, `ready after ${ready} ms, filtered in ${filtered} ms`);
    }));
  });
}
