// Opens report pages in the system's Chromium and collects what went wrong while they loaded.
import { after, before } from 'node:test';
import { chromium } from 'playwright-core';
import { readdirSync } from 'node:fs';
import { join, resolve, basename } from 'node:path';
import { pathToFileURL } from 'node:url';

const FLAGS = [
  '--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run',
  '--disable-background-networking', '--disable-component-update', '--disable-sync',
];

/** The browser; CHROMIUM names another executable than Debian's. */
export const launch = () =>
  chromium.launch({ executablePath: process.env.CHROMIUM || '/usr/bin/chromium', headless: true, args: FLAGS });

/** Every report page in the folder that REPORTS names. */
export function reports(folder = process.env.REPORTS) {
  if (!folder) { throw new Error('REPORTS must name a folder of report pages; .ci/run makes one'); }
  const files = readdirSync(folder).filter((name) => name.endsWith('.html')).sort();
  if (files.length === 0) { throw new Error(`${folder} holds no page`); }
  return files.map((name) => ({ name: basename(name, '.html'), path: resolve(join(folder, name)) }));
}

/** Opens a page; `troubles` collects console errors, script errors and requests other than for the file itself. */
export async function open(browser, path, options = {}) {
  const { width = 1280, height = 900, ...context } = options;
  const session = await browser.newContext({ viewport: { width, height }, ...context });
  const page = await session.newPage();
  const url = pathToFileURL(path).href;
  const troubles = [];
  page.on('console', (message) => {
    if (['error', 'warning'].includes(message.type())) { troubles.push(`console: ${message.text()}`); }
  });
  page.on('pageerror', (error) => troubles.push(`script: ${error.message}`));
  page.on('request', (request) => {
    const asked = request.url();
    if (asked.split('#')[0] !== url && !asked.startsWith('data:')) { troubles.push(`request: ${asked}`); }
  });
  await page.goto(url, { waitUntil: 'load' });
  return { page, troubles, url, close: () => session.close() };
}

/** One browser for all checks of a file; what it gives opens a page, works on it and closes it whatever happens. */
export function browsing() {
  let browser;
  before(async () => { browser = await launch(); });
  after(async () => { await browser?.close(); });
  return async (path, options, work) => {
    const view = await open(browser, path, options);
    try { return await work(view); } finally { await view.close(); }
  };
}
