// Kernels of a card on a processor, for tests: the threads of a block as fibres that take turns at every barrier and exchange.
#include <math.h>
#include <setjmp.h>
#include <string.h>
#include <ucontext.h>

#include <algorithm>
#include <functional>
#include <vector>

#define __device__
#define __global__
#define __constant__ static
#define __forceinline__ inline
#define __shared__ static

struct Place {
  int x, y, z;
};
static Place threadIdx, blockIdx, blockDim, gridDim;

using std::max;
using std::min;

namespace stand_in {

enum Waits { READY, FOR_WARP, FOR_BLOCK, DONE };

struct Fibre {
  ucontext_t context;
  jmp_buf where;
  std::vector<char> stack;
  Waits waits;
  bool begun;
  int exchanges;
};

static std::vector<Fibre> fibres;
static jmp_buf home;
static int now;
static const std::function<void()> *body;
static float given[2][2048];  // in turn, so that one wait is enough

static void place(int n) {
  now = n;
  threadIdx = {n % blockDim.x, n / blockDim.x % blockDim.y, n / blockDim.x / blockDim.y};
}

static void enter() {
  (*body)();
  fibres[now].waits = DONE;
  _longjmp(home, 1);
}

static void wait(Waits waits) {
  fibres[now].waits = waits;
  if (_setjmp(fibres[now].where) == 0) _longjmp(home, 1);
}

static float exchanged(float value, int from) {  // every lane of a warp takes part
  float *own = given[fibres[now].exchanges++ % 2];
  own[now] = value;
  int there = now / 32 * 32 + from;
  wait(FOR_WARP);
  return own[there];
}

static void go_on(int n) {
  place(n);
  Fibre &fibre = fibres[n];
  if (_setjmp(home) != 0) return;
  if (fibre.begun) _longjmp(fibre.where, 1);
  fibre.begun = true;
  setcontext(&fibre.context);
}

static void block_of_fibres(int count) {
  if ((int)fibres.size() < count) fibres.resize(count);
  for (int n = 0; n < count; n += 1) {
    Fibre &fibre = fibres[n];
    fibre.stack.resize(1 << 16);
    fibre.waits = READY;
    fibre.begun = false;
    fibre.exchanges = 0;
    getcontext(&fibre.context);
    fibre.context.uc_stack.ss_sp = fibre.stack.data();
    fibre.context.uc_stack.ss_size = fibre.stack.size();
    fibre.context.uc_link = nullptr;
    makecontext(&fibre.context, enter, 0);
  }
  for (bool all_done = false; !all_done;) {
    all_done = true;
    for (int first = 0; first < count; first += 32) {
      int stop = min(first + 32, count);
      for (bool exchanges = true; exchanges;) {
        exchanges = false;
        for (int n = first; n < stop; n += 1)
          if (fibres[n].waits == READY || fibres[n].waits == FOR_WARP) go_on(n), exchanges |= fibres[n].waits == FOR_WARP;
      }
    }
    for (int n = 0; n < count; n += 1)
      if (fibres[n].waits == FOR_BLOCK) fibres[n].waits = READY, all_done = false;
  }
}

static void run(const int *grid, const int *block, bool takes_turns, const std::function<void()> &kernel) {
  gridDim = {grid[0], grid[1], grid[2]};
  blockDim = {block[0], block[1], block[2]};
  body = &kernel;
  int count = block[0] * block[1] * block[2];
  for (int z = 0; z < grid[2]; z += 1)
    for (int y = 0; y < grid[1]; y += 1)
      for (int x = 0; x < grid[0]; x += 1) {
        blockIdx = {x, y, z};
        if (takes_turns) {
          block_of_fibres(count);
          continue;
        }
        for (int n = 0; n < count; n += 1) {
          place(n);
          kernel();
        }
      }
}

}  // namespace stand_in

static inline void __syncthreads() { stand_in::wait(stand_in::FOR_BLOCK); }
static inline void __syncwarp() { stand_in::wait(stand_in::FOR_WARP); }
static inline float __shfl_sync(unsigned, float value, int from) { return stand_in::exchanged(value, from); }
static inline float __shfl_xor_sync(unsigned, float value, int with) {
  return stand_in::exchanged(value, (stand_in::now % 32) ^ with);
}
static inline int __shfl_xor_sync(unsigned, int value, int with) {
  return (int)stand_in::exchanged((float)value, (stand_in::now % 32) ^ with);
}
static inline unsigned __float_as_uint(float value) {
  unsigned out;
  memcpy(&out, &value, 4);
  return out;
}
static inline float __uint_as_float(unsigned value) {
  float out;
  memcpy(&out, &value, 4);
  return out;
}
static inline float __fmaf_rn(float a, float b, float c) { return fmaf(a, b, c); }
