// node look.cjs FOLDER PAGE…: pictures of pages into FOLDER, and what axe-core finds. See look.py.
const path = require("node:path");
const fs = require("node:fs");
const [folder, ...pages] = process.argv.slice(2);
const modules = path.join(folder, "node_modules");
const { chromium } = require(path.join(modules, "playwright-core"));
const axe = fs.readFileSync(path.join(modules, "axe-core", "axe.min.js"), "utf8");

(async () => {
  const browser = await chromium.launch({
    executablePath: process.env.CHROMIUM || "/usr/bin/chromium",
    args: ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update",
      "--disable-sync", "--no-first-run"],
  });
  let found = 0;
  const complain = (text) => { found += 1; console.log("FOUND " + text); };
  for (const page of pages) {
    const name = path.basename(page, ".html");
    for (const scheme of ["light", "dark"]) {
      for (const width of [360, 800, 1400]) {
        // The page's policy would keep axe-core itself out.
        const context = await browser.newContext({ viewport: { width, height: 900 }, colorScheme: scheme, bypassCSP: true });
        const tab = await context.newPage();
        tab.on("request", (request) => {
          if (!request.url().startsWith("file:")) complain(`${name}: asked for ${request.url()}`);
        });
        await tab.goto("file://" + page);
        await tab.screenshot({ path: path.join(folder, `${name}-${width}-${scheme}.png`), fullPage: true });
        const wide = await tab.evaluate(() => document.documentElement.scrollWidth - window.innerWidth);
        if (wide > 0) complain(`${name} at ${width}: ${wide} pixels too wide`);
        await tab.evaluate(() => document.querySelectorAll("details").forEach((each) => { each.open = true; }));
        const wideOpen = await tab.evaluate(() => document.documentElement.scrollWidth - window.innerWidth);
        if (wideOpen > 0) complain(`${name} at ${width}, all opened: ${wideOpen} pixels too wide`);
        await tab.evaluate(axe);
        const result = await tab.evaluate(() => window.axe.run(document, {
          runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
        }));
        for (const each of result.violations) {
          complain(`${name} at ${width}, ${scheme}: ${each.id}: ${each.help}: ${each.nodes.slice(0, 3).map((node) => node.html.slice(0, 120)).join(" | ")}`);
        }
        await context.close();
      }
    }
    // As it is, with its policy: anything that it refuses is said on the console.
    const context = await browser.newContext({ viewport: { width: 800, height: 900 } });
    const tab = await context.newPage();
    tab.on("console", (message) => complain(`${name}: ${message.text()}`));
    tab.on("pageerror", (error) => complain(`${name}: ${error}`));
    tab.on("dialog", (dialog) => { complain(`${name}: a script ran: ${dialog.message()}`); dialog.dismiss(); });
    const began = Date.now();
    await tab.goto("file://" + page);
    console.log(`${name}: opened in ${Date.now() - began} ms`);
    await tab.pdf({ path: path.join(folder, `${name}.pdf`), format: "A4" });
    await context.close();
  }
  await browser.close();
  console.log(found ? `${found} findings` : "nothing found");
  process.exit(found ? 1 : 0);
})();
