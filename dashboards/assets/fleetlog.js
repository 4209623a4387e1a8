"use strict";

/* Follows the colour scheme, keeps the filters in the address and names the window. */
(function () {
  const root = document.documentElement;

  function follow() {
    const scheme = root.getAttribute("data-mantine-color-scheme");
    if (scheme !== "light" && scheme !== "dark") return;
    root.setAttribute("data-ag-theme-mode", scheme);
    const tell = window.dash_clientside && window.dash_clientside.set_props;
    if (tell && document.getElementById("main")) tell("mode", { data: scheme });
  }
  new MutationObserver(follow).observe(root, {
    attributes: true,
    attributeFilter: ["data-mantine-color-scheme"],
  });

  window.dash_clientside = Object.assign(window.dash_clientside || {}, {
    fleetlog: {
      /* The scheme may be settled before the store for it exists. */
      scheme: function () {
        const scheme = root.getAttribute("data-mantine-color-scheme");
        return scheme === "dark" ? "dark" : "light";
      },
      title: function (title) {
        document.title = title;
        return window.dash_clientside.no_update;
      },
      /* Names first, then one value for each; empty values stay out of the address. */
      remember: function (names, ...values) {
        const query = new URLSearchParams();
        names.forEach(function (name, i) {
          const value = values[i];
          if (value !== null && value !== undefined && value !== "") query.set(name, value);
        });
        const text = query.toString();
        window.history.replaceState(
          window.history.state, "", window.location.pathname + (text ? "?" + text : "")
        );
        return window.dash_clientside.no_update;
      },
      navbar: function (opened, navbar) {
        return Object.assign({}, navbar, { collapsed: { mobile: !opened } });
      },
      print: function (clicks) {
        if (clicks) window.print();
        return window.dash_clientside.no_update;
      },
    },
  });

  const cells = (window.dashAgGridComponentFunctions = window.dashAgGridComponentFunctions || {});
  cells.VehicleLink = function (props) {
    if (!props.value) return null;
    return React.createElement(
      "a",
      { href: "/vehicle?find=" + encodeURIComponent(props.data.vin || props.value) },
      props.value
    );
  };
})();
