// The pages: a shell with its ways, and one page at a time.

import { render } from "preact";
import { useEffect, useState } from "preact/hooks";
import { DressSwitch } from "./parts/dress";
import { SheetProvider, useSheet } from "./sheet";
import { FirstPage } from "./pages/first";
import { FittingPage } from "./pages/fitting";
import { PathPage } from "./pages/path";
import { ProofPage } from "./pages/proof";
import { SkyPage } from "./pages/sky";
import { StarPage } from "./pages/star";

const ways: { path: string; name: string; page: () => preact.JSX.Element }[] = [
  { path: "/", name: "Last night", page: FirstPage },
  { path: "/star", name: "Star", page: StarPage },
  { path: "/path", name: "Light path", page: PathPage },
  { path: "/sky", name: "Sky", page: SkyPage },
  { path: "/fitting", name: "Fitting", page: FittingPage },
  { path: "/proof", name: "Proof", page: ProofPage },
];

/** go shows another page without leaving the document. */
export function go(path: string) {
  history.pushState(null, "", path + location.search);
  dispatchEvent(new PopStateEvent("popstate"));
}

function Shell() {
  const [path, setPath] = useState(location.pathname);
  useEffect(() => {
    const moved = () => setPath(location.pathname);
    addEventListener("popstate", moved);
    const clicked = (e: MouseEvent) => {
      const a = (e.target as Element).closest?.("a[href^='/']");
      if (!a || e.defaultPrevented || e.button !== 0 || e.metaKey || e.ctrlKey || e.shiftKey || a.hasAttribute("download") || a.getAttribute("target")) return;
      const to = a.getAttribute("href")!;
      if (!ways.some((w) => w.path === to)) return;
      e.preventDefault();
      go(to);
      scrollTo(0, 0);
      document.querySelector<HTMLElement>("main")?.focus({ preventScroll: true });
    };
    document.addEventListener("click", clicked);
    return () => {
      removeEventListener("popstate", moved);
      document.removeEventListener("click", clicked);
    };
  }, []);
  const way = ways.find((w) => w.path === path) ?? ways[0];
  useEffect(() => {
    document.title = way.name + " · holdfast";
  }, [way]);
  const Page = way.page;
  return (
    <div class="wrap">
      <a class="skip" href="#main">
        To the page
      </a>
      <header>
        <RigName />
        <nav aria-label="Pages">
          {ways.map((w) => (
            <a key={w.path} href={w.path} aria-current={w === way ? "page" : undefined}>
              {w.name}
            </a>
          ))}
        </nav>
        <DressSwitch />
      </header>
      <main id="main" tabIndex={-1}>
        <Page />
      </main>
    </div>
  );
}

function RigName() {
  const { rig } = useSheet();
  return <span class="rig">{rig?.name || "holdfast"}</span>;
}

render(
  <SheetProvider>
    <Shell />
  </SheetProvider>,
  document.getElementById("app")!,
);
