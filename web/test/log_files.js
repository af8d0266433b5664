// A phone for Go's tests: takes in a log's file and gives out what it has of it, both ways.
// node log_files.js < {"now_ms", "file"} > {"read", "csv", "lines"}; TZ is the phone's zone.
import { readFileSync } from 'node:fs';
import { newBook } from '../app/book.js';
import { newLogbook } from '../app/logbook.js';
import { importLines, jsonLines, tableRows } from '../app/out_in.js';
import { newTender } from '../app/log_tending.js';
import { newDisk } from './disk_helper.js';

const { now_ms, file } = JSON.parse(readFileSync(0, 'utf8'));
const store = newDisk();
const text = (async function* pieces() {
  for (let at = 0; at < file.length; at += 5000) yield file.slice(at, at + 5000);
})();
const { added, refusals, refused } = await importLines(store, text, { told: () => {}, stopped: () => false });
const logbook = newLogbook({
  store, book: newBook(), now: () => now_ms, changed: () => {}, breathe: async () => {},
  later: async () => ({ newTender: (s, env) => newTender(s, env, store.summaries) }),
});
await logbook.begin();
await logbook.tend();
const lines = logbook.lines();
const csv = (await tableRows(store, lines, now_ms, () => {})).join('');
const out = (await jsonLines(store, lines, now_ms, () => {})).join('');
process.stdout.write(JSON.stringify({ read: { added, refusals, refused }, csv, lines: out }));
