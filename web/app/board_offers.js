/**
 * Other roles by offer and accept, in words. Pure: for the board, and for the
 * phone that is offered one.
 */

/** @type {Record<string, string>} */
const STATES = { sent: 'offered', accepted: 'accepted', declined: 'declined', over: 'offer over' };

/** @param {{state?: string, role?: string, reason?: string}} offer as the host tells of it to who made it */
export function offerWords({ state, role, reason }) {
  if (reason) return reason;
  return [STATES[state ?? ''] ?? '', role ?? ''].filter(Boolean).join(': ');
}

/**
 * The roles a device may be offered.
 * @param {string} role its own
 */
export function rolesFor(role) {
  return ['buddy', 'diver', 'siren'].filter((r) => r !== role);
}

/**
 * @typedef {object} Offer to this phone
 * @property {string} offer
 * @property {{device: string, role: string, name: string}} from
 * @property {string} pair
 * @property {number | null} number
 * @property {string} role
 * @property {boolean} [swap]
 * @property {number} until_ms shared ms
 */

/**
 * What the phone asks.
 * @param {Offer} offer
 * @param {string} pair its own pair
 */
export function askWords(offer, pair) {
  const who = offer.from.name || (offer.from.role === 'instructor' ? 'The instructor' : `The ${offer.from.role}’s phone`);
  if (offer.swap) return `${who} asks to swap: this phone becomes the ${offer.role}’s, theirs takes its place`;
  const where = offer.pair === pair ? '' : ` of pair ${offer.number ?? ''}`;
  return `${who} asks this phone to be the ${offer.role}’s${where}`;
}
