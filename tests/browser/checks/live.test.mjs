// The live page and the list of pages: looked at in passing, on a telephone as well, and never with a script.
import { describe, test } from 'node:test';
import assert from 'node:assert/strict';
import { createRequire } from 'node:module';
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { browsing, reports } from './support.mjs';

const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
const pages = reports(join(process.env.REPORTS ?? '', 'live'));
const opened = browsing();

for (const { name, path } of pages) {
  describe(`live: ${name}`, () => {
    for (const width of [390, 1280]) {
      for (const colorScheme of ['light', 'dark']) {
        test(`fits ${width} px in ${colorScheme} colours and has no finding of axe`, () => opened(path, { width, colorScheme }, async ({ page, troubles }) => {
          const over = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
          assert.ok(over <= 0, `${over} px too wide`);
          const tables = await page.evaluate(() => [...document.querySelectorAll('.scroll')].filter((box) => box.scrollWidth > box.clientWidth).length);
          assert.equal(tables, 0, 'a table must be pushed sideways to be read');
          assert.deepEqual(troubles, []);
          await page.evaluate(axe);
          const found = await page.evaluate(async () => {
            // It shows what happens now, without a script: the exception for real-time events (WCAG 2.2.1).
            const rules = { 'meta-refresh': { enabled: false } };
            const result = await globalThis.axe.run(document, { resultTypes: ['violations'], rules });
            return result.violations.map((v) => `${v.id} (${v.nodes.length}): ${v.help}; first: ${v.nodes[0].html.slice(0, 160)}`);
          });
          assert.deepEqual(found, []);
        }));
      }
    }

    test('holds no script, and loads itself again only while there is news', () => {
      const text = readFileSync(path, 'utf8');
      assert.ok(!/<script/i.test(text));
      assert.equal(/http-equiv="refresh"/.test(text), name === 'running');
      assert.ok(!text.includes('<b>bold</b>') && !text.includes('<i>tilted</i>'), 'a name became a tag');
    });
  });
}

test('an alarm is the first thing on the page and in its title', () => opened(pages.find(({ name }) => name === 'running').path, {}, async ({ page }) => {
  assert.match(await page.title(), /^ALARM/);
  assert.equal(await page.locator('main > section').first().locator('[role=alert]').count(), 1);
  assert.ok(await page.locator('svg .limit').count() >= 3, 'limits are drawn');
}));
