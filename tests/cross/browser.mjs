// What both page checks share: a page opened from disk in headless Chromium, watched for requests
// and errors, held to WCAG 2.2 AA.
//
//   npm install --no-save playwright-core axe-core   (where the check is run)
//
// CHROMIUM names the browser, /usr/bin/chromium by default.
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { resolve } from 'node:path';
import { pathToFileURL } from 'node:url';

const require = createRequire(resolve(process.cwd(), 'x.js'));
const { chromium } = require('playwright-core');
const axe = readFileSync(require.resolve('axe-core/axe.min.js'), 'utf8');

export const json = (folder, name) => JSON.parse(readFileSync(resolve(folder, name), 'utf8'));

export const launch = () => chromium.launch({
  executablePath: process.env.CHROMIUM ?? '/usr/bin/chromium',
  args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--disable-background-networking',
    '--disable-component-update', '--disable-sync', '--autoplay-policy=no-user-gesture-required'],
});

// A page of its own; `clean` throws if anything but files was asked for or an error was reported.
export const open = async (browser, folder, name, options, watch) => {
  const context = await browser.newContext(options);
  const page = await context.newPage();
  const foreign = [];
  const errors = [];
  page.on('request', (request) => { if (!/^(file|data|blob):/.test(request.url())) foreign.push(request.url()); });
  page.on('console', (message) => { if (message.type() === 'error') errors.push(message.text()); });
  page.on('pageerror', (error) => errors.push(String(error)));
  if (watch) await page.addInitScript(watch);
  const start = Date.now();
  await page.goto(pathToFileURL(resolve(folder, name)).href);
  const clean = () => {
    assert.deepEqual(foreign, [], 'requests');
    assert.deepEqual(errors, [], 'errors');
  };
  return { context, page, clean, ms: Date.now() - start };
};

const LEVELS = ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa'];

// No violation of WCAG 2.2 AA, and nothing wider than the window. The policy of the page forbids
// scripts in it, so the rules are run through the debugger.
export const accessible = async (context, page, width, what) => {
  const wide = await page.evaluate(() => document.documentElement.scrollWidth);
  assert.ok(wide <= width, `${what}: the page is ${wide} px wide`);
  const cdp = await context.newCDPSession(page);
  const { result } = await cdp.send('Runtime.evaluate', {
    expression: `${axe}; axe.run({ preload: false, runOnly: ${JSON.stringify(LEVELS)} }).then((r) => JSON.stringify(r.violations.map((v) => [v.id, v.help, v.nodes.length, v.nodes[0].html])))`,
    awaitPromise: true,
    returnByValue: true,
  });
  assert.deepEqual(JSON.parse(result.value), [], what);
};

// Both schemes at two widths; `prepare` is run on each page before it is looked at.
export const looks = async (browser, folder, name, shots, prepare) => {
  for (const colorScheme of ['light', 'dark']) {
    for (const width of [1280, 390]) {
      const { context, page, clean, ms } = await open(browser, folder, name, { colorScheme, viewport: { width, height: 900 } });
      if (prepare) await page.evaluate(prepare);
      const stem = name.replace(/\W+/g, '-');
      if (shots) await page.screenshot({ path: `${shots}/${stem}-${colorScheme}-${width}.png`, fullPage: true });
      await accessible(context, page, width, `${name} ${colorScheme} ${width}`);
      clean();
      console.log(`${name}, ${colorScheme}, ${width} px: opened in ${ms} ms; no request, no error, no violation`);
      await context.close();
    }
  }
};
