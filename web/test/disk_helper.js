// A store that keeps what the phone's disk keeps, in memory: rows, and beside them lines and their digest, with the same marks.

import { memoryStore } from '../store/db.js';
import { sameIds, sameLine } from '../store/settle.js';

/** @typedef {import('../app/logbook.js').Line} Line */
/** @typedef {ReturnType<typeof newDisk>} Disk */

/** `due`, `lines` and `digest` are there for tests to look into. */
export function newDisk() {
  const memory = memoryStore();
  const { rows } = memory;
  /** @type {Map<string, Line>} */
  const lines = new Map();
  /** @type {Set<string>} */
  const due = new Set();
  /** @type {Map<string, unknown>} */
  const digest = new Map();
  let stamp = 0;
  const newest = () => [...lines.values()].sort((a, b) => b.start_at - a.start_at || (a.hold < b.hold ? -1 : 1));

  /**
   * Whatever rows come or change, their holds are due.
   * @template T
   * @param {() => Promise<T>} change
   */
  const marking = async (change) => {
    const before = new Map(rows);
    const result = await change();
    for (const [id, row] of rows) if (before.get(id) !== row) due.add(row.event.hold);
    return result;
  };

  /** @type {import('../store/settle.js').Summaries} */
  const summaries = {
    async linesBefore(than, count) {
      const all = newest();
      return all.slice(than === null ? 0 : all.findIndex((l) => l.hold === than.hold) + 1).slice(0, count);
    },
    async settle(made) {
      const was = stamp;
      for (const { hold, ids, line, over } of made) {
        if (!sameIds([...rows.values()].filter((r) => r.event.hold === hold).map((r) => r.id), ids)) continue;
        if (over) due.delete(hold);
        if (sameLine(lines.get(hold) ?? null, line)) continue;
        if (line) lines.set(hold, line);
        else lines.delete(hold);
        digest.delete('head');
        stamp = was + 1;
      }
      return { was, is: stamp };
    },
    async allDue() {
      for (const hold of lines.keys()) due.add(hold);
      lines.clear();
      digest.delete('head');
    },
    digestPart: async (key) => digest.get(key),
    async setDigest(at, head, keys, parts) {
      if (at !== stamp) return false;
      for (const key of digest.keys()) if (!keys.includes(key)) digest.delete(key);
      for (const [key, part] of parts) digest.set(key, part);
      digest.set('head', head);
      return true;
    },
  };

  /** @type {import('../store/db.js').Store} */
  const store = {
    ...memory,
    add: (row, strict) => marking(() => memory.add(row, strict)),
    addAll: (list) => marking(() => memory.addAll(list)),
    bring: (list) => marking(() => memory.bring(list)),
    move: (holds, to) => marking(() => memory.move(holds, to)),
    async remove(ids, holds, keys) {
      await memory.remove(ids, holds, keys);
      for (const hold of holds) {
        lines.delete(hold);
        due.add(hold);
      }
      digest.clear();
      stamp += 1;
      return { was: stamp - 1, is: stamp };
    },
    async logStart(count, few) {
      const before = due.size > few ? [] : [...due].flatMap((hold) => lines.get(hold) ?? []);
      return { head: digest.get('head'), stamp, due: [...due], before, lines: newest().slice(0, count) };
    },
  };
  return { ...store, rows, meta: memory.meta, lines, due, digest, summaries };
}
