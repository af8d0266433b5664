/**
 * What this browser lets a page keep things in: some give one, some none, and
 * some do not even let a page ask.
 */

/** @returns {Storage | null} */
export function localStore() {
  try {
    const key = 'buddyclock.try';
    localStorage.setItem(key, '1');
    localStorage.removeItem(key);
    return localStorage;
  } catch {
    return null;
  }
}

/** @returns {IDBFactory | undefined} */
export function database() {
  try {
    return globalThis.indexedDB;
  } catch {
    return undefined;
  }
}
