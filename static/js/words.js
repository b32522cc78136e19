"use strict";
// What scripts say, in the page's language: a text is looked up by its English, which stands where
// no other is known. Values are put in by name: told("%(n)s entries need a look.", { n: 3 }).

(() => {
  const words = window.words || {};
  window.told = (english, values = {}) => (words[english] || english).replace(/%\((\w+)\)s/g, (whole, name) => (name in values ? String(values[name]) : whole));
})();
