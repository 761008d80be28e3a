// What the page uses of the vendored modules, as far as the checker has to know it.
declare module "preact" {
  export const render: (...what: any[]) => void;
  export const h: any;
}
declare module "preact/hooks" {
  export const useEffect: (act: () => void | (() => void), on?: unknown[]) => void;
  export const useLayoutEffect: typeof useEffect;
  export const useMemo: <T>(of: () => T, on: unknown[]) => T;
  export const useRef: <T>(first: T) => { current: T };
  export const useState: <T>(first: T) => [T, (next: T) => void];
}
declare module "@preact/signals" {
  export interface Signal<T> {
    value: T;
    peek(): T;
    subscribe(act: (value: T) => void): () => void;
  }
  export const signal: <T>(value: T) => Signal<T>;
  export const computed: <T>(of: () => T) => { readonly value: T; peek(): T };
  export const effect: (act: () => void | (() => void)) => () => void;
  export const batch: (act: () => void) => void;
}
declare module "htm" {
  const htm: any;
  export default htm;
}
declare module "uplot" {
  const uPlot: any;
  type uPlot = any;
  export default uPlot;
}
