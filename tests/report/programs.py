"""What the page is asked in a real browser: JavaScript expressions with ``page``, the document, and
``frame``, its window. None of them changes the page, so that one load answers all.
"""

EDGES = """({
  width: frame.innerWidth,
  page: page.documentElement.scrollWidth,
  over: [...page.querySelectorAll('body *')].filter(one =>
    !one.closest('.scroll, svg, .unseen')
    && one.getBoundingClientRect().right > frame.innerWidth + 0.5)
    .map(one => one.outerHTML.slice(0, 90)),
  boxes: [...page.querySelectorAll('.scroll')].filter(one =>
    one.scrollWidth > one.clientWidth).length,
  letters: Math.min(...[...page.querySelectorAll('figure svg text')].filter(one =>
    one.getClientRects().length).map(one =>
    parseFloat(frame.getComputedStyle(one).fontSize) * one.getScreenCTM().a)),
})"""
"""What reaches over the edge, which boxes scroll, and the smallest letters of a picture."""
LETTERS = """[...page.querySelectorAll('figure')].map(one => {
  const seen = [...one.querySelectorAll('svg[role="img"]')].filter(each =>
    each.getClientRects().length);
  const text = seen[0].querySelector('text');
  return [seen.length, seen[0].getBoundingClientRect().width / one.clientWidth,
    parseFloat(frame.getComputedStyle(text).fontSize) * text.getScreenCTM().a];
})"""
"""Of each figure: how many drawings are seen, how wide, and how large their letters are."""
VERDICTS = """[...page.querySelectorAll('.verdict')].map(one => {
  const word = one.querySelector('.word').getBoundingClientRect();
  const claim = one.querySelector('.claim').getBoundingClientRect();
  const size = parseFloat(frame.getComputedStyle(one.querySelector('.word')).fontSize);
  return [word.height / size, word.right <= claim.left || word.bottom <= claim.top + 1];
})"""
"""Of each verdict: how many lines its word takes, and whether it is apart from its claim."""
ROWS = """({
  before: [...page.querySelectorAll('.judged ~ *, .judged')].length > 0
    && page.querySelector('.judged').compareDocumentPosition(
      page.querySelector('.number')) & Node.DOCUMENT_POSITION_FOLLOWING,
  rows: [...page.querySelectorAll('.judged tbody tr')].map(one =>
    one.getBoundingClientRect().height
    / parseFloat(frame.getComputedStyle(one).fontSize)),
  numbers: [...page.querySelectorAll('.judged .right, .judged td:nth-child(2), .number')]
    .filter(one => one.closest('tbody, li')).map(one => {
      const size = parseFloat(frame.getComputedStyle(one).fontSize);
      return [one.innerText, one.getBoundingClientRect().height / size];
    }),
})"""
"""Whether the verdicts come first, how high their rows are, and the numbers with their heights."""
WEIGHTS = """[...page.querySelectorAll('.judged .right')].map(one =>
[one, one.firstElementChild || one]).map(([one, seen]) =>
[one.textContent, parseInt(frame.getComputedStyle(seen).fontWeight)])"""
"""What stands on the right of the verdicts, and how bold it is."""
FOLDED = """[...page.querySelectorAll('details')].map(one => [
one.querySelector('summary').innerText, one.open, one.clientHeight < 80])"""
"""Every part that can be folded: its title, whether it is open, whether it is low."""
WORDS = """({
  pictures: [...page.querySelectorAll('figure')].map(one => {
    const svg = [...one.querySelectorAll('svg[role="img"]')].filter(each =>
      each.getClientRects().length)[0];
    const ids = svg.getAttribute('aria-labelledby').split(' ');
    return [svg.getAttribute('role'), ...ids.map(id => page.getElementById(id).textContent),
            one.querySelector('figcaption').textContent.trim()];
  }),
  text: page.body.innerText.replaceAll('\\u00a0', ' '),
  ticks: [...page.querySelectorAll('svg text')].map(one => one.textContent),
  raster: page.querySelectorAll('img, canvas, image, object, embed').length,
  ids: [...page.querySelectorAll('[id]')].map(one => one.id),
})"""
"""The words of the pictures and of the page."""
BOXES = """({
  seen: page.querySelectorAll('svg text').length,
  cut: [...page.querySelectorAll('svg text')].filter(one => one.getClientRects().length
    && (one.getBoundingClientRect().left < one.closest('svg').getBoundingClientRect().left
    || one.getBoundingClientRect().right > one.closest('svg').getBoundingClientRect().right)
    ).map(one => one.textContent),
  over: [...page.querySelectorAll('svg')].flatMap(svg => {
    const all = [...svg.querySelectorAll('text')].filter(one =>
      one.textContent && one.getClientRects().length)
      .map(one => [one.textContent, one.getBoundingClientRect()]);
    return all.flatMap(([one, a], i) => all.slice(i + 1).filter(([other, b]) =>
      Math.min(a.right, b.right) - Math.max(a.left, b.left) > 2
      && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > a.height / 3)
      .map(([other, b]) => one + ' | ' + other));
  }),
})"""
"""Words in pictures that lie on others or are cut, and how many were looked at."""
REQUESTS = "frame.performance.getEntriesByType('resource').map(one => one.name)"
"""What the page has fetched."""
COLOURS = """Object.fromEntries(['paper', 'ink', 'soft', 's0', 's1', 's2', 's3', 's4', 's5',
'limit', 'yes', 'yes-wash', 'no', 'no-wash', 'maybe', 'maybe-wash', 'other', 'other-wash',
'loud', 'loud-wash', 'charge', 'discharge'].map(name => [name,
frame.getComputedStyle(page.documentElement).getPropertyValue('--' + name).trim()]))"""
"""The colours of the page by name."""
ALL = (EDGES, LETTERS, VERDICTS, ROWS, WEIGHTS, FOLDED, WORDS, BOXES, REQUESTS, COLOURS)
