// The page is whole without this: it only hides rows while something is searched for.
(function () {
  var rows = document.getElementById("not-whole");
  var box = document.getElementById("search");
  if (!rows || !box) return;
  var line = box.parentNode;
  var output = line.querySelector("output");
  line.hidden = false;
  box.addEventListener("input", function () {
    var wanted = box.value.toLowerCase();
    var shown = 0;
    Array.prototype.forEach.call(rows.rows, function (row) {
      var found = row.cells[1].textContent.toLowerCase().indexOf(wanted) >= 0;
      row.hidden = !found;
      if (found) shown += 1;
    });
    output.textContent = wanted ? shown + " of " + rows.rows.length : "";
  });
})();
