"use strict";

/* Draws each figure from the data beside it; the tables tell the same without it. */
(function () {
  const config = JSON.parse(document.getElementById("config").textContent);
  const places = Array.from(document.querySelectorAll(".plot"));
  places.forEach(function (place) {
    const figure = JSON.parse(document.getElementById(place.id + "-data").textContent);
    window.Plotly.newPlot(place, figure.data, figure.layout, config);
  });
  /* Paper is narrower than the window that the figures were drawn for. */
  function width(value) {
    places.forEach(function (place) {
      window.Plotly.relayout(place, value ? { width: value } : { width: null, autosize: true });
    });
  }
  window.addEventListener("beforeprint", function () { width(640); });
  window.addEventListener("afterprint", function () { width(null); });
})();
