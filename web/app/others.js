/** The other devices of the pair, as the host last told of them. */

/** @typedef {import('./rungs.js').Present} Present */

/** @param {() => number} deviceNow ms */
export function newOthers(deviceNow) {
  /** @type {Present[]} */
  let told = [];
  let toldAt = 0;
  return {
    /** @param {any[]} list as it came */
    hear(list) {
      told = list.filter((p) => typeof p?.device === 'string').map((p) => ({ ...p, state: p.state ?? {} }));
      toldAt = deviceNow();
    },
    forget() {
      told = [];
    },
    /** Their ages have grown since. */
    now() {
      const grown = Math.max(0, Math.round(deviceNow() - toldAt));
      return told.map((p) => ({ ...p, age_ms: (p.age_ms ?? 0) + grown }));
    },
  };
}
