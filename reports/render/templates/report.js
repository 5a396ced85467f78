"use strict";
(function () {
  var space = "http" + "://www.w3.org/2000/svg";
  function visible(chart) {
    return Array.prototype.find.call(chart.querySelectorAll("svg.drawing"), function (svg) {
      return svg.getClientRects().length > 0;
    });
  }
  function points(svg) {
    if (!svg.readPoints) { svg.readPoints = JSON.parse(svg.getAttribute("data-points")); }
    return svg.readPoints;
  }
  function show(chart, svg, place) {
    var all = points(svg), ring = svg.querySelector("circle.ring");
    if (!ring) {
      ring = document.createElementNS(space, "circle");
      ring.setAttribute("class", "ring");
      ring.setAttribute("r", "5");
      svg.appendChild(ring);
    }
    ring.setAttribute("cx", all[place][0]);
    ring.setAttribute("cy", all[place][1]);
    chart.setAttribute("data-place", String(place));
    chart.querySelector(".readout").textContent = all[place][2];
  }
  function hide(chart) {
    chart.querySelectorAll("circle.ring").forEach(function (ring) { ring.remove(); });
    chart.querySelector(".readout").textContent = "";
  }
  function nearest(svg, event) {
    var box = svg.getBoundingClientRect(), view = svg.viewBox.baseVal, best = -1, least = 24;
    points(svg).forEach(function (point, place) {
      var x = box.left + point[0] * box.width / view.width;
      var y = box.top + point[1] * box.height / view.height;
      var far = Math.hypot(event.clientX - x, event.clientY - y);
      if (far < least) { least = far; best = place; }
    });
    return best;
  }
  document.querySelectorAll(".chart").forEach(function (chart) {
    chart.addEventListener("keydown", function (event) {
      var step = { ArrowRight: 1, ArrowLeft: -1 }[event.key], svg = visible(chart);
      if (event.key === "Escape") { hide(chart); }
      if (!step || !svg || !points(svg).length) { return; }
      event.preventDefault();
      var at = Number(chart.getAttribute("data-place") || (step > 0 ? -1 : 0));
      show(chart, svg, (at + step + points(svg).length) % points(svg).length);
    });
    chart.addEventListener("pointermove", function (event) {
      var svg = visible(chart), place = svg ? nearest(svg, event) : -1;
      if (place >= 0) { show(chart, svg, place); }
    });
    chart.addEventListener("pointerleave", function () { hide(chart); });
    chart.addEventListener("blur", function () { hide(chart); });
  });
})();
