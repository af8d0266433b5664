// Ensures that nothing the page shows or says praises, clears, or calls a hold safe (hazard H15): all strings of all views.
import assert from 'node:assert/strict';
import { readdirSync, readFileSync } from 'node:fs';
import { test } from 'node:test';

const FOLDERS = ['app', 'views', 'sound', 'tape', 'press', 'sync', 'store', 'rules'];

/** Words of praise and of clearing, as whole words. */
const NEVER = /\b(safe|safely|safety|all clear|well done|good job|great|excellent|perfect|nice|bravo|congrat\w*|awesome|fantastic|personal best|record hold|new record|all good|no danger|harmless|go ahead|you can|keep going|push|almost there)\b/i;
/** Where such a word stands for something else. */
const MEANT = [/^\.\.?\//];

/**
 * The texts of a module: its string and template literals, comments left out.
 * @param {string} source
 * @returns {string[]}
 */
function texts(source) {
  const found = [];
  const literal = /\/\*[\s\S]*?\*\/|\/\/[^\n]*|'(?:[^'\\\n]|\\.)*'|"(?:[^"\\\n]|\\.)*"|`(?:[^`\\]|\\.)*`/g;
  for (const [token] of source.matchAll(literal)) {
    if (!token.startsWith('/')) found.push(token.slice(1, -1));
  }
  return found;
}

const modules = FOLDERS.flatMap((folder) =>
  readdirSync(new URL(`../${folder}`, import.meta.url)).filter((name) => name.endsWith('.js')).map((name) => `${folder}/${name}`));

test('the reader of texts finds strings and leaves comments', () => {
  assert.deepEqual(texts("const a = 'one'; // 'two'\n/* \"three\" */ f(`four ${x}`, \"five\");"), ['one', 'four ${x}', 'five']);
});

test('H15 no view praises or clears, in any of its words', () => {
  assert.ok(modules.length > 80);
  let read = 0;
  for (const name of modules) {
    for (const text of texts(readFileSync(new URL(`../${name}`, import.meta.url), 'utf8'))) {
      read += 1;
      if (MEANT.some((meant) => meant.test(text))) continue;
      assert.doesNotMatch(text, NEVER, `${name}: ${text}`);
    }
  }
  assert.ok(read > 2000, `${read} texts`);
});

test('H15 nothing on the page is green', () => {
  const sheets = readdirSync(new URL('../style', import.meta.url)).filter((name) => name.endsWith('.css'));
  for (const name of sheets) {
    const css = readFileSync(new URL(`../style/${name}`, import.meta.url), 'utf8');
    assert.doesNotMatch(css, /\bgreen\b|\blime\b/i, name);
    for (const [, hex] of css.matchAll(/#([0-9a-f]{6}|[0-9a-f]{3})\b/gi)) {
      const full = hex.length === 3 ? [...hex].map((c) => c + c).join('') : hex;
      const [r, g, b] = [0, 2, 4].map((i) => parseInt(full.slice(i, i + 2), 16));
      assert.ok(!(g > r + 40 && g > b + 40), `${name}: #${hex}`);
    }
  }
});
