// What scripts say, in the language of the page: the page carries the texts, written once for all languages elsewhere.

const texts = {};
for (const block of document.querySelectorAll("script[data-texts]")) Object.assign(texts, JSON.parse(block.textContent));
const { lang, dataset } = document.documentElement;
const plural = new Intl.PluralRules(lang);

// Places are %(name)s; a text in several forms is chosen by its count.
export function text(name, values = {}) {
  const found = texts[name];
  const form = typeof found === "string" ? found : (found[plural.select(values.count)] ?? found.other);
  return form.replace(/%\((\w+)\)s|%%/g, (_, place) => (place ? values[place] : "%"));
}

export function number(value, decimals = 0) {
  return new Intl.NumberFormat(dataset.locale, { minimumFractionDigits: decimals, maximumFractionDigits: decimals }).format(value);
}
