// Takes screenshots of report pages, for looking at: node screenshots.mjs OUT_FOLDER PAGE.html...
import { mkdirSync, writeFileSync } from 'node:fs';
import { basename, join, resolve } from 'node:path';
import { launch, open } from './checks/support.mjs';

const [out, ...pages] = process.argv.slice(2);
mkdirSync(out, { recursive: true });
const browser = await launch();
for (const file of pages) {
  const name = basename(file, '.html');
  for (const [kind, options] of Object.entries({
    screen: { width: 1280 }, phone: { width: 360, height: 740 }, dark: { width: 1280, colorScheme: 'dark' },
  })) {
    const { page, close } = await open(browser, resolve(file), { ...options, bypassCSP: true });
    await page.addStyleTag({ content: 'section{content-visibility:visible!important}' });
    await page.screenshot({ path: join(out, `${name}-${kind}-top.png`) });
    for (const id of (process.env.SECTIONS ?? '').split(',').filter(Boolean)) {
      const part = page.locator(`section[aria-labelledby="${id}"]`);
      if (await part.count() === 0) { continue; }
      const box = await part.boundingBox();
      const clip = { ...box, height: Math.min(box.height, 1600) };
      await page.screenshot({ path: join(out, `${name}-${kind}-${id}.png`), clip, fullPage: true });
    }
    if (kind === 'screen') {
      writeFileSync(join(out, `${name}.pdf`), await page.pdf({ preferCSSPageSize: true, printBackground: true }));
    }
    await close();
  }
}
await browser.close();
