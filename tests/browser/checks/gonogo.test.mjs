// Pages of a go/no-go test: read at the line on whatever screen is there, and signed on paper.
import { describe, test } from 'node:test';
import assert from 'node:assert/strict';
import { execFileSync } from 'node:child_process';
import { createRequire } from 'node:module';
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { browsing, reports } from './support.mjs';

const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
const pages = reports(join(process.env.REPORTS ?? '', 'gonogo'));
const opened = browsing();

for (const { name, path } of pages) {
  describe(`go/no-go: ${name}`, () => {
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

    test('holds no script, says that it is simulated, and never says pass', () => opened(path, {}, async ({ page }) => {
      assert.ok(!/<script/i.test(readFileSync(path, 'utf8')));
      assert.match(await page.title(), /SIMULATED/);
      const words = await page.locator('main').innerText();
      assert.ok(!/\bpass(es|ed)?\b/i.test(words), 'nobody saw the corners of a go unit');
    }));

    test('prints with page numbers on every page', () => opened(path, {}, async ({ page }) => {
      const pdf = await page.pdf({ preferCSSPageSize: true, printBackground: true });
      const folder = mkdtempSync(join(tmpdir(), 'gonogo-'));
      try {
        const file = join(folder, 'page.pdf');
        writeFileSync(file, pdf);
        const count = Number(/^Pages:\s+(\d+)/m.exec(execFileSync('pdfinfo', [file], { encoding: 'utf8' }))[1]);
        const text = execFileSync('pdftotext', ['-layout', file, '-'], { encoding: 'utf8', maxBuffer: 1 << 28 });
        const sheets = text.split('\f').slice(0, count);
        assert.ok(count <= 10, `${count} pages are too many to sign`);
        sheets.forEach((sheet, at) => {
          assert.match(sheet, new RegExp(`Page\\s+${at + 1}\\s+of\\s+${count}`), `page ${at + 1}`);
          assert.ok(sheet.includes('SIMULATED - not measured'), `page ${at + 1}`);
        });
      } finally { rmSync(folder, { recursive: true }); }
    }));
  });
}
