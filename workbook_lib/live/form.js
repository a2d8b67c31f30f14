(() => {
  const name = 'dwellingServiceForm';
  if (window[name]) return;
  window[name] = true;
  let number = 0;
  const row = box => {
    const hint = box.querySelector('.wb-hint');
    if (!hint) return;
    if (!hint.id) hint.id = `wb-hint-${++number}`;
    const wrong = box.classList.contains('wb-wrong');
    for (const entry of box.querySelectorAll('input[type="text"], select, input[type="checkbox"]')) {
      if (entry.getAttribute('aria-describedby') !== hint.id) entry.setAttribute('aria-describedby', hint.id);
      const said = String(wrong);
      if (entry.getAttribute('aria-invalid') !== said) entry.setAttribute('aria-invalid', said);
    }
  };
  const fold = button => {
    const said = String(button.classList.contains('wb-opened'));
    if (button.getAttribute('aria-expanded') !== said) button.setAttribute('aria-expanded', said);
  };
  const mend = () => {
    for (const form of document.querySelectorAll('.wb-live')) {
      if (!form.hasAttribute('role')) {
        form.setAttribute('role', 'region');
        form.setAttribute('aria-label', 'Live study');
      }
      for (const one of form.querySelectorAll('button, input, select, textarea, [tabindex]')) {
        if (!one.hasAttribute('data-lm-suppress-shortcuts')) one.setAttribute('data-lm-suppress-shortcuts', 'true');
      }
      form.querySelectorAll('.wb-row').forEach(row);
      form.querySelectorAll('.wb-fold, .wb-fold-small').forEach(fold);
    }
  };
  const words = text => (text || '').replace(/\(.*$/s, '').trim();
  const called = one => words(one.tagName === 'BUTTON' ? one.textContent : one.labels?.[0]?.textContent);
  let last = null;
  document.addEventListener('focusin', event => {
    const form = event.target.closest?.('.wb-live');
    last = form ? { one: event.target, form, tag: event.target.tagName, name: called(event.target) } : null;
  });
  const refocus = () => {
    if (!last || last.one.isConnected || !last.name) return;
    const found = [...document.querySelectorAll('.wb-live ' + last.tag)].filter(one => one.offsetWidth > 0 && called(one) === last.name);
    const nobody = !document.activeElement || document.activeElement === document.body || !document.activeElement.closest('.wb-live');
    if (found.length && nobody) found[0].focus({ preventScroll: true });
  };
  let waiting = false;
  const soon = () => {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => { waiting = false; mend(); refocus(); });
  };
  new MutationObserver(soon).observe(document.body, { childList: true, subtree: true, attributes: true, attributeFilter: ['class'] });
  soon();
})();
