// Keys for the findings queue. Nothing here is needed: every task works as a plain form.
(() => {
  'use strict';
  const queue = document.querySelector('[data-queue]');
  const search = document.getElementById('search');
  const typing = (at) => at.matches('input:not([type=checkbox]):not([type=radio]), textarea, select');
  const all = () => (queue ? [...queue.querySelectorAll('[data-finding]')] : []);
  const here = () => document.activeElement?.closest?.('[data-finding]') ?? queue?.querySelector('.here') ?? null;

  function go(to) {
    if (!to) return;
    queue.querySelector('.here')?.classList.remove('here');
    to.classList.add('here');
    to.focus({ preventScroll: true });
    to.scrollIntoView({ block: 'nearest' });
  }

  function step(by) {
    const list = all();
    const at = list.indexOf(here());
    go(list[at < 0 ? (by > 0 ? 0 : list.length - 1) : Math.min(Math.max(at + by, 0), list.length - 1)]);
  }

  const keys = {
    j: () => step(1),
    k: () => step(-1),
    a: () => (here() ?? all()[0])?.querySelector('[data-reason]')?.focus(),
    x: () => here()?.querySelector('input[type=checkbox]')?.click(),
    b: () => document.querySelector('[data-bulk]')?.focus(),
  };

  document.addEventListener('keydown', (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const at = event.target;
    if (event.key === 'Escape' && typing(at)) {
      const card = at.closest('[data-finding]');
      at.blur();
      go(card);
      return;
    }
    if (typing(at)) return;
    if (event.key === '/') {
      event.preventDefault();
      search?.focus();
    } else if (queue && event.key === 'Enter' && at.matches('[data-finding]')) {
      location.href = at.dataset.href;
    } else if (queue && keys[event.key]) {
      event.preventDefault();
      keys[event.key]();
    }
  });

  // After a ruling the address names the finding that comes next; without one the first is taken.
  if (queue && location.hash.startsWith('#f-')) {
    go(document.getElementById(location.hash.slice(1)) ?? all()[0]);
  }

  // Says when a crew has exchanged; the page itself is left as it is until someone loads it again.
  if (document.body.dataset.live && window.EventSource) {
    const news = new EventSource('/events');
    news.onmessage = (event) => {
      if (event.data !== document.body.dataset.live) document.querySelector('.live')?.removeAttribute('hidden');
    };
    addEventListener('pagehide', () => news.close());
  }

  // A form is sent once, however often its button is pressed.
  document.addEventListener('submit', (event) => {
    if (event.target.method !== 'post') return;
    if (event.target.dataset.sent) event.preventDefault();
    event.target.dataset.sent = 'yes';
  });
  addEventListener('pageshow', () => document.querySelectorAll('form[data-sent]').forEach((f) => delete f.dataset.sent));
})();
