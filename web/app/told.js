/**
 * What the host tells a phone beside its pair's events: the outing's settings,
 * and places that are offered to it. Pure but for what it remembers.
 */

/** @typedef {import('./board_offers.js').Offer} Offer */

/**
 * The outing as the host tells of it. Each part has an `at`, shared ms.
 * @typedef {object} Outing
 * @property {Record<string, any> | null} [place] card of all pairs
 * @property {Record<string, any> | null} [cadence] `{cadence}` of all pairs
 * @property {Record<string, any> | null} [series]
 * @property {number | null} [ended_ms] when the outing was ended, shared ms
 */

/** @typedef {ReturnType<typeof newTold>} Told */

export function newTold() {
  /** @type {Outing} */
  let outing = {};
  let simulated = false;
  /** @type {Map<string, Offer>} */
  const offers = new Map();
  return {
    /**
     * @param {any} told a word of the host
     * @returns {boolean} whether it said something to be shown
     */
    hear(told) {
      switch (told?.type) {
        case 'welcome':
        case 'outing':
          if (told.type === 'welcome') simulated = told.simulated === true;
          outing = typeof told.outing === 'object' && told.outing !== null ? told.outing : {};
          return true;
        case 'offer':
          if (typeof told.offer === 'string' && typeof told.role === 'string') offers.set(told.offer, { ...told, from: told.from ?? {} });
          return true;
        case 'offer-over':
          return offers.delete(String(told.offer));
        default:
          return false;
      }
    },
    /** An offer was answered here. @param {string} offer */
    answered: (offer) => offers.delete(offer),
    outing: () => outing,
    /** Whether the people of the outing are invented. */
    simulated: () => simulated,
    /** Offers that still stand, the newest last. @param {number} now shared ms */
    offers: (now) => [...offers.values()].filter((o) => now < o.until_ms),
  };
}

/**
 * Of the pair's own card and the outing's the newer one.
 * @param {{at: number, data: Record<string, any>} | null} own
 * @param {Outing} outing
 */
export function newerPlace(own, { place }) {
  if (!place) return own?.data ?? null;
  return own && own.at >= Number(place.at ?? 0) ? own.data : place;
}
