/**
 * The address by which a phone dials a number that somebody typed (RFC 3966,
 * without the visual separators).
 * @param {unknown} number
 * @returns {string | null} null where it is no number to dial
 */
export function dialAddress(number) {
  const plain = String(number ?? '').replace(/[\s().\-/]/g, '');
  return /^\+?[0-9*#]{2,20}$/.test(plain) ? `tel:${plain.replaceAll('#', '%23')}` : null;
}
