// Pages without a script (a go/no-go test, a fit of the model): read on whatever screen is there, and signed on paper.
import { describe, test } from 'node:test';
import assert from 'node:assert/strict';
import { execFileSync } from 'node:child_process';
import { createRequire } from 'node:module';
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { browsing, reports } from './support.mjs';

const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
const of = (folder, most, words) =>
  reports(join(process.env.REPORTS ?? '', folder)).map((page) => ({ ...page, folder, most, words }));
// Most sheets of paper, and what the page has to say, or never says.
const pages = [
  ...of('gonogo', 10, { never: /\bpass(es|ed)?\b/i, because: 'nobody saw the corners of a go unit' }),
  ...of('fit', 14, { agrees: /Correlated: held-out margins agree/, misfit: /Misfit: the fitted model does not describe/ }),
];
const opened = browsing();

for (const { name, path, folder, most, words: said } of pages) {
  describe(`${folder}: ${name}`, () => {
    for (const width of [360, 1280, 1920]) {
      for (const colorScheme of ['light', 'dark']) {
        test(`fits ${width} px in ${colorScheme} colours and has no finding of axe`, () => opened(path, { width, colorScheme }, async ({ page, troubles }) => {
          await page.evaluate(() => document.querySelectorAll('section').forEach((node) => { node.style.contentVisibility = 'visible'; }));
          const over = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
          assert.ok(over <= 0, `${over} px too wide`);
          assert.deepEqual(troubles, []);
          await page.evaluate(axe);
          const found = await page.evaluate(async () => {
            const result = await globalThis.axe.run(document, { resultTypes: ['violations'] });
            return result.violations.map((v) => `${v.id} (${v.nodes.length}): ${v.help}; first: ${v.nodes[0].html.slice(0, 160)} ${v.nodes[0].any[0]?.message ?? ''}`);
          });
          assert.deepEqual(found, []);
        }));
      }
    }

    test('holds no script, says that it is simulated, and says what was found', () => opened(path, {}, async ({ page }) => {
      assert.ok(!/<script/i.test(readFileSync(path, 'utf8')));
      assert.match(await page.title(), /SIMULATED/);
      const words = await page.locator('main').innerText();
      if (said.never) { assert.ok(!said.never.test(words), said.because); }
      if (said[name]) { assert.match(words, said[name]); }
    }));

    test('prints with page numbers on every page', () => opened(path, {}, async ({ page }) => {
      const pdf = await page.pdf({ preferCSSPageSize: true, printBackground: true });
      const printed = mkdtempSync(join(tmpdir(), 'alone-'));
      try {
        const file = join(printed, 'page.pdf');
        writeFileSync(file, pdf);
        const count = Number(/^Pages:\s+(\d+)/m.exec(execFileSync('pdfinfo', [file], { encoding: 'utf8' }))[1]);
        const text = execFileSync('pdftotext', ['-layout', file, '-'], { encoding: 'utf8', maxBuffer: 1 << 28 });
        const sheets = text.split('\f').slice(0, count);
        assert.ok(count <= most, `${count} pages are too many to sign`);
        sheets.forEach((sheet, at) => {
          assert.match(sheet, new RegExp(`Page\\s+${at + 1}\\s+of\\s+${count}`), `page ${at + 1}`);
          assert.ok(sheet.includes('SIMULATED - not measured'), `page ${at + 1}`);
        });
      } finally { rmSync(printed, { recursive: true }); }
    }));
  });
}
