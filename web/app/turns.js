/**
 * What must not come in between one another, one after the other.
 * @returns {<T>(what: () => Promise<T>) => Promise<T>}
 */
export function newTurns() {
  /** @type {Promise<unknown>} */
  let last = Promise.resolve();
  return (what) => {
    const mine = last.then(what);
    last = mine.catch(() => {});
    return mine;
  };
}
