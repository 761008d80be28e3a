// The pixel program on an NVIDIA card: the arithmetic of kernels.py and what it calls, in the same order and precision, compiled
// without contraction, so that a card gives the bytes that a processor gives. Two ways: a displaced frame in one kernel, by tiles in
// shared memory; a turned or scaled one in two, with the first pass kept in single precision. Colour is written for both precisions: in
// single it serves finish_quick.cu, which stands behind this.
//
// Given by whoever compiles: SAMPLE (unsigned char, unsigned short, float), CHANNELS (1 or 3), LOOKED_UP, EVEN, COLOURED (0 or 1),
// QUICK (1: only what finish_quick.cu needs).

#define TAPS 12
#define REACH 5
#define PHASES 4096
#define SPAN 512
#define TILE_X 32
#define TILE_Y 32
#define ROWS_OF_THREADS 8
#define RUN (TILE_Y / ROWS_OF_THREADS)
#define WIDE (TILE_X + TAPS - 1)
#define HIGH (TILE_Y + TAPS - 1)

typedef unsigned int u32;
typedef unsigned long long u64;

struct Shape {
  int captured_width, captured_height, width, height;
};

struct Straight {
  int mirrored_x, mirrored_y, offset_x, offset_y, first_x, stop_x, first_y, stop_y;
  float weights_x[TAPS], weights_y[TAPS];
};

struct Turned {
  double slope, per_row, offset, down_x, down_y, down_0, a, b, c, d, e, f;
  int mirrored, low, high, captured_width, captured_height;
};

struct Colour {
  const long long *steps;
  const double *numbers, *curves, *windows;
  const float *single;
  const double *surface;
  int knots, window_count, single_count;
};

struct Dither {
  float peak;
  u32 frame;
};

// --- light of a captured sample

__device__ float light_of(const SAMPLE *samples, const float *table, int last, const float *gain, const float *offset, long place) {
#if LOOKED_UP
  int code = samples[place];
  float light = table[code < last ? code : last];
#else
  float light = samples[place];
#endif
#if EVEN
  light = light * gain[place] + offset[place];
#endif
  return light;
}

// --- display encoding and dither, as display.py

__device__ u32 mix(u32 number) {
  u32 h = number ^ (number >> 16);
  h *= 0x7FEB352Du;
  h ^= h >> 15;
  h *= 0x846CA68Bu;
  return h ^ (h >> 16);
}

__device__ u32 hash_of(u32 frame, int x, int y) {
  u32 frame_seed = mix(frame + 1u);
  u32 row_seed = mix(frame_seed + (u32)y * GOLDEN);
  return mix(row_seed + (u32)x);
}

__device__ float log2_single(float value) {
  int lifted = __float_as_int(value) - 0x3F3504F3;
  int power = lifted >> 23;
  float mantissa = __int_as_float((lifted & 0x007FFFFF) + 0x3F3504F3);
  float t = (mantissa - 1.0f) / (mantissa + 1.0f);
  float t2 = t * t;
  return t * (F_L0 + t2 * (F_L1 + t2 * F_L2)) + (float)power;
}

__device__ float exp2_single(float value) {
  float lifted = value + 12582912.0f;
  float x = value - (lifted - 12582912.0f);
  float two = 1.0f + x * (F_E1 + x * (F_E2 + x * (F_E3 + x * (F_E4 + x * F_E5))));
  return __int_as_float(__float_as_int(two) + (int)(__float_as_uint(lifted) << 23));
}

__device__ float encode(float light, float peak) {
  float bounded = light > LEAST_LIGHT ? light : LEAST_LIGHT;
  bounded = bounded < 1.0f ? bounded : 1.0f;
  return exp2_single(log2_single(bounded) * INVERSE_EXPONENT) * peak;
}

__device__ void store(const float *light, u32 hash, float peak, unsigned short *out) {
#pragma unroll
  for (int channel = 0; channel < 3; channel += 1) {
    int own = CHANNELS == 3 ? channel : 0;
    float step = (float)((hash >> (1 + 8 * own)) & 127u);
    float value = encode(light[own], peak) + (step * (1.0f / 128) + (1.0f / 256));
    out[channel] = (unsigned short)(value < peak ? value : peak);
  }
}

// --- colour, as kernels_colour.py, one pixel at a time: in double precision as there, or in single where that is near enough

__device__ __forceinline__ double mad(double a, double b, double c) { return a * b + c; }  // two roundings, as on a processor
__device__ __forceinline__ float mad(float a, float b, float c) { return __fmaf_rn(a, b, c); }
__device__ __forceinline__ double smaller(double a, double b) { return a < b ? a : b; }
__device__ __forceinline__ float smaller(float a, float b) { return fminf(a, b); }

__device__ __forceinline__ float log2_of(float value) {
  float result;
  asm("lg2.approx.ftz.f32 %0, %1;" : "=f"(result) : "f"(value));
  return result;
}

__device__ __forceinline__ float exp2_of(float value) {
  float result;
  asm("ex2.approx.ftz.f32 %0, %1;" : "=f"(result) : "f"(value));
  return result;
}

#if COLOURED
__device__ double log2_of(double value) {
  u64 lifted = __double_as_longlong(value) + (0x3FF0000000000000ull - 0x3FE6A09E667F3BCDull);
  double power = __longlong_as_double((lifted >> 52) | 0x4330000000000000ull) - (4503599627370496.0 + 1023.0);
  double mantissa = __longlong_as_double((lifted & 0x000FFFFFFFFFFFFFull) + 0x3FE6A09E667F3BCDull);
  double t = (mantissa - 1.0) / (mantissa + 1.0);
  double t2 = t * t;
  double series = D_L0 + t2 * (D_L1 + t2 * (D_L2 + t2 * (D_L3 + t2 * (D_L4 + t2 * (D_L5 + t2 * (D_L6 + t2 * D_L7))))));
  return t * series + power;
}

__device__ double exp2_of(double value) {
  double bounded = value > -1000.0 ? value : -1000.0;
  bounded = bounded < 1000.0 ? bounded : 1000.0;
  double whole = floor(bounded + 0.5);
  double x = bounded - whole;
  double series = D_E6 + x * (D_E7 + x * (D_E8 + x * (D_E9 + x * (D_E10 + x * (D_E11 + x * D_E12)))));
  double two = 1.0 + x * (D_E1 + x * (D_E2 + x * (D_E3 + x * (D_E4 + x * (D_E5 + x * series)))));
  u64 bits = (u64)__double_as_longlong(whole + (4503599627370496.0 + 1023.0)) << 52;
  return two * __longlong_as_double(bits);
}

template <typename Real>
__device__ __forceinline__ void matrix(Real *p, const Real *m, Real p0, Real q0, Real r0) {
  Real x = p[0], y = p[1], z = p[2];
  p[0] = mad(m[2], z, mad(m[1], y, mad(m[0], x, p0)));
  p[1] = mad(m[5], z, mad(m[4], y, mad(m[3], x, q0)));
  p[2] = mad(m[8], z, mad(m[7], y, mad(m[6], x, r0)));
}

template <typename Real>
__device__ __forceinline__ void polynomial(Real *p, const Real *terms) {
  Real r = p[0], g = p[1], b = p[2];
#pragma unroll
  for (int channel = 0; channel < 3; channel += 1) {
    const Real *c = terms + 10 * channel;
    Real of_red = mad(c[8], b, mad(c[7], g, mad(c[4], r, c[1])));
    Real of_green = mad(c[9], b, mad(c[5], g, c[2]));
    p[channel] = mad(b, mad(c[6], b, c[3]), mad(g, of_green, mad(r, of_red, c[0])));
  }
}

__device__ void hues(double *p, const Colour &colour) {
  matrix(p, CONES, 0.0, 0.0, 0.0);
  for (int channel = 0; channel < 3; channel += 1) {
    double value = p[channel], size = fabs(value);
    double root = exp2_of(log2_of(size > 1e-300 ? size : 1e-300) * (1.0 / 3.0));
    root = root - (root - size / (root * root)) * (1.0 / 3.0);
    root = size > 1e-300 ? root : 0.0;
    p[channel] = value > 0.0 ? root : -root;
  }
  matrix(p, OPPONENTS, 0.0, 0.0, 0.0);
  double lightness = p[0], a = p[1], b = p[2];
  for (int number = 0; number < colour.window_count; number += 1) {
    const double *w = colour.windows + 6 * number;
    double room = 1.0 / (1.0 - w[2]);
    double chroma2 = a * a + b * b;
    double chroma = sqrt(chroma2 > LEAST_CHROMA2 ? chroma2 : LEAST_CHROMA2);
    double s = ((a * w[0] + b * w[1]) / chroma - w[2]) * room;
    s = s > 0.0 ? s : 0.0;
    s = s < 1.0 ? s : 1.0;
    double weight = s * s * (3.0 - 2.0 * s) * (chroma2 / (chroma2 + HALF_CHROMA2));
    p[0] += weight * w[5] * lightness;
    p[1] += weight * (w[3] * a - w[4] * b - a);
    p[2] += weight * (w[4] * a + w[3] * b - b);
  }
  matrix(p, OPPONENTS_BACK, 0.0, 0.0, 0.0);
  for (int channel = 0; channel < 3; channel += 1) p[channel] = p[channel] * p[channel] * p[channel];
  matrix(p, CONES_BACK, 0.0, 0.0, 0.0);
}

__device__ __forceinline__ double share_of(double a, double b) { return a / b; }
__device__ __forceinline__ float share_of(float a, float b) { return __fdividef(a, b); }

// Steps on density, for COUNT pixels that lie side by side from x on, `across` apart.
template <int COUNT, typename Real, typename Program>
__device__ __forceinline__ void density_steps(Real (*p)[3], const Program &colour, Real y, Real x, Real across) {
  const Real *n = colour.numbers;
  if (colour.steps[S_FLICKER]) {
#pragma unroll
    for (int channel = 0; channel < 3; channel += 1) {
      const Real *t = n + N_SURFACE + 7 * channel;
      Real at_0 = mad(t[5] * y, y, mad(t[2], y, t[0]));
      Real at_x = mad(t[4], y, t[1]), at_xx = t[3];
#pragma unroll
      for (int k = 0; k < COUNT; k += 1) {
        Real place = mad((Real)k, across, x), value = p[k][channel];
        p[k][channel] = mad(t[6], value - n[N_MIDDLE + channel], value + mad(place, mad(place, at_xx, at_x), at_0));
      }
    }
  }
  if (colour.steps[S_FADE] == 1) {
    const Real *offset = n + N_BEFORE + 9;
#pragma unroll
    for (int k = 0; k < COUNT; k += 1) matrix(p[k], n + N_BEFORE, offset[0], offset[1], offset[2]);
  } else if (colour.steps[S_FADE] == 2) {
#pragma unroll
    for (int k = 0; k < COUNT; k += 1) polynomial(p[k], n + N_BEFORE);
#pragma unroll
    for (int k = 0; k < COUNT; k += 1) polynomial(p[k], n + N_AFTER);
  }
  if (colour.steps[S_NEGATIVE]) {
    int last = colour.knots - 1;
#pragma unroll
    for (int channel = 0; channel < 3; channel += 1) {
      const Real *curve = colour.curves + colour.knots * channel;
      Real inverse = share_of((Real)1, n[N_CURVE_STEP + channel]), end = (Real)last;
#pragma unroll
      for (int k = 0; k < COUNT; k += 1) {
        Real place = (p[k][channel] - n[N_CURVE_FIRST + channel]) * inverse;
        place = place > (Real)0 ? place : (Real)0;
        place = place < end ? place : end;
        int knot = (int)place;
        knot = knot < last - 1 ? knot : last - 1;
        p[k][channel] = mad(place - (Real)knot, curve[knot + 1] - curve[knot], curve[knot]);
      }
    }
  }
  if (colour.steps[S_MONO]) {
    const Real *w = n + N_WEIGHTS, *tone = n + N_TONE;
#pragma unroll
    for (int k = 0; k < COUNT; k += 1) {
      Real silver = mad(p[k][2], w[2], mad(p[k][1], w[1], p[k][0] * w[0]));
#pragma unroll
      for (int channel = 0; channel < 3; channel += 1) p[k][channel] = mad(silver, tone[2 * channel + 1], tone[2 * channel]);
    }
  }
}

template <typename Real, typename Program>
__device__ __forceinline__ void decide(Real *p, const Program &colour) {
  const Real *n = colour.numbers;
#pragma unroll
  for (int channel = 0; channel < 3; channel += 1) {
    p[channel] = mad(p[channel], n[N_SLOPE + channel], n[N_OFFSET + channel]);
    if constexpr (sizeof(Real) == 8) {  // a program with powers is not made in single precision
      double power = n[N_POWERS + channel], value = p[channel];
      if (power != 1.0) {
        double raised = exp2_of(log2_of(value > 1e-300 ? value : 1e-300) * power);
        p[channel] = value > 0.0 ? raised : value;
      }
    }
  }
  if (colour.steps[S_SATURATION]) {
    Real amount = n[N_AMOUNT];
    Real luma = mad((Real)0.0722, p[2], mad((Real)0.7152, p[1], (Real)0.2126 * p[0]));
#pragma unroll
    for (int channel = 0; channel < 3; channel += 1) p[channel] = mad(amount, p[channel] - luma, luma);
  }
}

// What is done to light after density. `made` becomes 0 where light is cut off at 0 so far below it that no error reaches it.
template <int COUNT, typename Real, typename Program>
__device__ __forceinline__ void finished_light(Real (*p)[3], const Program &colour, Real (*made)[3]) {
  const Real *n = colour.numbers;
#pragma unroll
  for (int k = 0; k < COUNT; k += 1)
#pragma unroll
    for (int channel = 0; channel < 3; channel += 1) p[k][channel] = smaller(p[k][channel], (Real)BRIGHTEST);
  if (colour.steps[S_DECISIONS])
#pragma unroll
    for (int k = 0; k < COUNT; k += 1) decide(p[k], colour);
  if (colour.window_count > 0 || colour.steps[S_MATRIX])
#pragma unroll
    for (int k = 0; k < COUNT; k += 1)
#pragma unroll
      for (int channel = 0; channel < 3; channel += 1) {
        if (p[k][channel] < (Real)-0.25 * made[k][channel]) made[k][channel] = (Real)0;
        p[k][channel] = p[k][channel] > (Real)0 ? p[k][channel] : (Real)0;
      }
  if constexpr (sizeof(Real) == 8)  // nor is one with windows of hue
    if (colour.window_count > 0)
      for (int k = 0; k < COUNT; k += 1) hues(p[k], colour);
  if (colour.steps[S_SHOULDER]) {
    Real share = n[N_KNEE], inverse = share > (Real)0 ? share_of((Real)1, (Real)4 * share) : (Real)0;
#pragma unroll
    for (int k = 0; k < COUNT; k += 1)
#pragma unroll
      for (int channel = 0; channel < 3; channel += 1) {
        Real value = smaller(p[k][channel], (Real)1 + share);
        if constexpr (sizeof(Real) == 8) {
          Real over = value - ((Real)1 - share);
          over = over > (Real)0 ? over : (Real)0;
          p[k][channel] = mad(-(over * over), inverse, value);
        } else {  // the same, with the share of the shoulder that light has come
          float half = 2.0f * inverse, over = __saturatef(__fmaf_rn(p[k][channel], half, 0.5f - half));
          p[k][channel] = __fmaf_rn(over * -share, over, value);
        }
      }
  }
  if (colour.steps[S_MATRIX])
#pragma unroll
    for (int k = 0; k < COUNT; k += 1) matrix(p[k], n + N_PRIMARIES, (Real)0, (Real)0, (Real)0);
}

// Light to light; `seen` takes the light before and `made` the light after density, for whoever bounds what single precision loses.
template <int COUNT, typename Real, typename Program>
__device__ __forceinline__ void colour_pixels(Real (*p)[3], const Program &colour, Real y, Real x, Real across, Real (*seen)[3],
                                              Real (*made)[3]) {
  const Real *n = colour.numbers;
  bool density = colour.steps[S_DENSITY] != 0;
#pragma unroll
  for (int k = 0; k < COUNT; k += 1)
#pragma unroll
    for (int channel = 0; channel < 3; channel += 1) {
      Real value = mad(p[k][channel], n[N_SCALE + channel], n[N_SHIFT + channel]);
      seen[k][channel] = value;
      p[k][channel] = value > n[N_FLOOR] ? value : n[N_FLOOR];
    }
  if (density) {
#pragma unroll
    for (int k = 0; k < COUNT; k += 1)
#pragma unroll
      for (int channel = 0; channel < 3; channel += 1) p[k][channel] = log2_of(p[k][channel]) * (Real)-LOG10_2;
    density_steps<COUNT>(p, colour, y, x, across);
#pragma unroll
    for (int k = 0; k < COUNT; k += 1)
#pragma unroll
      for (int channel = 0; channel < 3; channel += 1)
        p[k][channel] = exp2_of(n[N_OUT_POWER + channel] - p[k][channel] * (Real)LOG2_10);
  }
#pragma unroll
  for (int k = 0; k < COUNT; k += 1)
#pragma unroll
    for (int channel = 0; channel < 3; channel += 1) {
      made[k][channel] = p[k][channel] * n[N_OUT_SCALE + channel];
      p[k][channel] = mad(p[k][channel], n[N_OUT_SCALE + channel], n[N_OUT_SHIFT + channel]);
    }
  finished_light<COUNT>(p, colour, made);
}

// A pixel in single precision, as kernels_single.py; false where that may be off, and then light stays as it was.
__device__ bool single_pixel(float *light, const Colour &colour, double y, int x, int width) {
  const float *q = colour.single;
  float logs[3], made[3], step = (float)(1.0 / width), place = (float)(2 * x + 1) * step - 1.0f;
  for (int channel = 0; channel < 3; channel += 1) {
    double scale = colour.numbers[N_SCALE + channel], shift = colour.numbers[N_SHIFT + channel];
    float seen = shift == 0.0 ? light[channel] * q[Q_SCALE + channel] : (float)((double)light[channel] * scale + shift);
    logs[channel] = log2_single(seen > q[Q_FLOOR] ? seen : q[Q_FLOOR]);
  }
  for (int channel = 0; channel < 3; channel += 1) {
    const double *t = colour.surface + 6 * channel;
    const float *m = q + Q_MIXED + 3 * channel;
    float power = (float)(t[0] + t[2] * y + t[5] * y * y);
    if (colour.steps[S_FLICKER]) power = power + place * ((float)(t[1] + t[4] * y) + place * (float)t[3]);
    power = power + (m[0] * logs[0] + m[1] * logs[1] + m[2] * logs[2]);
    power = power < 125.0f ? power : 125.0f;
    float value = exp2_single(power > -125.0f ? power : -125.0f) + q[Q_SHIFT + channel], most = q[Q_MOST + channel];
    value = value < most ? value : most;
    if (value > q[Q_LOW + channel] && value < q[Q_HIGH + channel]) return false;
    if (q[Q_KNEE] > 0.0f) {
      float over = value - (1.0f - q[Q_KNEE]);
      over = over > 0.0f ? over : 0.0f;
      value = value - over * over * q[Q_KNEE + 1];
    }
    made[channel] = value;
  }
  for (int channel = 0; channel < 3; channel += 1) light[channel] = made[channel];
  return true;
}
#endif

__device__ void finish_pixel(float *light, const Shape &shape, const Colour &colour, const Dither &dither, int x, int y, bool inside,
                             unsigned short *pixel) {
#if COLOURED
  double down = (double)(2 * y + 1) / shape.height - 1.0;
  if (colour.single_count == 0 || !single_pixel(light, colour, down, x, shape.width)) {
    double p[1][3] = {{light[0], light[1], light[2]}}, seen[1][3], made[1][3];
    double across = (double)(2 * x + 1) / shape.width - 1.0;
    colour_pixels<1>(p, colour, down, across, 0.0, seen, made);
    for (int channel = 0; channel < 3; channel += 1) light[channel] = (float)p[0][channel];
  }
#endif
  if (!inside)
    for (int channel = 0; channel < CHANNELS; channel += 1) light[channel] = 0.0f;
  store(light, hash_of(dither.frame, x, y), dither.peak, pixel);
}

__device__ int within(int place, int count) { return place < 0 ? 0 : place < count ? place : count - 1; }

#if !QUICK
// --- a displaced frame: a tile of captured light, filtered along its rows and then down its columns

// Sums of twelve neighbours, RUN of them beginning one after the other; each is added from its first tap to its last.
__device__ void run_of(const float *from, int step, const float *weights, float *sums) {
#pragma unroll
  for (int k = 0; k < RUN; k += 1) sums[k] = 0.0f;
#pragma unroll
  for (int place = 0; place < TAPS + RUN - 1; place += 1) {
    float value = from[place * step];
#pragma unroll
    for (int k = 0; k < RUN; k += 1)
      if (place - k >= 0 && place - k < TAPS) sums[k] = sums[k] + weights[place - k] * value;
  }
}

extern "C" __global__ void finish_straight(const SAMPLE *samples, const float *table, int last, const float *gain, const float *offset,
                                           Shape shape, Straight move, Colour colour, Dither dither, unsigned short *out) {
  __shared__ float light[CHANNELS][HIGH][WIDE];
  __shared__ float along[CHANNELS][HIGH][TILE_X];
  int left = blockIdx.x * TILE_X, top = blockIdx.y * TILE_Y;
  int thread = threadIdx.y * TILE_X + threadIdx.x;
  for (int n = thread; n < HIGH * WIDE * CHANNELS; n += TILE_X * ROWS_OF_THREADS) {
    int row = n / (WIDE * CHANNELS), rest = n % (WIDE * CHANNELS), column = rest / CHANNELS, channel = rest % CHANNELS;
    int v = within(top + row + move.offset_y - REACH, shape.captured_height);
    int u = within(left + column + move.offset_x - REACH, shape.captured_width);
    if (move.mirrored_y) v = shape.captured_height - 1 - v;
    if (move.mirrored_x) u = shape.captured_width - 1 - u;
    light[channel][row][column] = light_of(samples, table, last, gain, offset, ((long)v * shape.captured_width + u) * CHANNELS + channel);
  }
  __syncthreads();
  // A thread makes RUN sums side by side, so that it reads a sample once for up to RUN of them.
  for (int n = thread; n < CHANNELS * HIGH * (TILE_X / RUN); n += TILE_X * ROWS_OF_THREADS) {
    int channel = n / (HIGH * (TILE_X / RUN)), rest = n % (HIGH * (TILE_X / RUN)), row = rest / (TILE_X / RUN), x = rest % (TILE_X / RUN) * RUN;
    float sums[RUN];
    run_of(&light[channel][row][x], 1, move.weights_x, sums);
#pragma unroll
    for (int k = 0; k < RUN; k += 1) along[channel][row][x + k] = sums[k];
  }
  __syncthreads();
  int x = left + threadIdx.x;
  if (x >= shape.width) return;
  int row = threadIdx.y * RUN;
  float sums[CHANNELS][RUN];
#pragma unroll
  for (int channel = 0; channel < CHANNELS; channel += 1) run_of(&along[channel][row][threadIdx.x], TILE_X, move.weights_y, sums[channel]);
#pragma unroll
  for (int k = 0; k < RUN; k += 1) {
    int y = top + row + k;
    if (y >= shape.height) return;
    bool inside = x >= move.first_x && x < move.stop_x && y >= move.first_y && y < move.stop_y;
    float pixel_light[3];
#pragma unroll
    for (int channel = 0; channel < CHANNELS; channel += 1) pixel_light[channel] = sums[channel][k];
    unsigned short *pixel = out + 3 * ((long)y * shape.width + x);
    if (inside)
      finish_pixel(pixel_light, shape, colour, dither, x, y, true, pixel);
    else
      pixel[0] = pixel[1] = pixel[2] = 0;
  }
}

// --- a turned or scaled frame: along the rows of the capture, then down its columns

__device__ int place_of(double place, int limit, int &phase) {
  place = place > -1e6 ? place : -1e6;
  place = place < 1e6 ? place : 1e6;
  long long step = (long long)floor(place * PHASES + 0.5);
  phase = (int)(step & (PHASES - 1));
  long long first = (step >> 12) - REACH;
  first = first > -TAPS ? first : -TAPS;
  return (int)(first < limit ? first : limit);
}

__device__ __forceinline__ void weights_of(const float *phases, int phase, float *weights) {
#pragma unroll
  for (int n = 0; n < TAPS / 4; n += 1) {
    float4 four = ((const float4 *)(phases + phase * TAPS))[n];
    weights[4 * n] = four.x, weights[4 * n + 1] = four.y, weights[4 * n + 2] = four.z, weights[4 * n + 3] = four.w;
  }
}

// A block makes `count` finished columns of a captured row, whose light it looks up once: at most SPAN pixels of it.
extern "C" __global__ void turn_along(const SAMPLE *samples, const float *table, int last, const float *gain, const float *offset,
                                      const float *phases, Shape shape, Turned move, float *along, int count) {
  __shared__ float light[CHANNELS][SPAN];
  int left = blockIdx.x * count, x = left + threadIdx.x, v = move.low + blockIdx.y;
  if (v >= move.high) return;
  double begin = move.per_row * (double)v + move.offset;
  int right = (left + count < shape.width ? left + count : shape.width) - 1, phase;
  int lowest = place_of(move.slope * (double)left + begin, shape.captured_width, phase);
  int pixels = place_of(move.slope * (double)right + begin, shape.captured_width, phase) + TAPS - lowest;
  for (int n = threadIdx.x; n < pixels * CHANNELS; n += blockDim.x) {
    int u = within(lowest + n / CHANNELS, shape.captured_width);
    if (move.mirrored) u = shape.captured_width - 1 - u;
    long place = ((long)v * shape.captured_width + u) * CHANNELS + n % CHANNELS;
    light[n % CHANNELS][n / CHANNELS] = light_of(samples, table, last, gain, offset, place);
  }
  __syncthreads();
  if (x > right) return;
  int first = place_of(move.slope * (double)x + begin, shape.captured_width, phase) - lowest;
  float weights[TAPS];
  weights_of(phases, phase, weights);
#pragma unroll
  for (int channel = 0; channel < CHANNELS; channel += 1) {
    float sum = 0.0f;
#pragma unroll
    for (int tap = 0; tap < TAPS; tap += 1) sum = sum + weights[tap] * light[channel][first + tap];
    along[((long)v * CHANNELS + channel) * shape.width + x] = sum;
  }
}

extern "C" __global__ void turn_down(const float *along, const float *phases, Shape shape, Turned move, Colour colour, Dither dither,
                                     unsigned short *out) {
  int x = blockIdx.x * blockDim.x + threadIdx.x, y = blockIdx.y;
  if (x >= shape.width) return;
  int phase, first = place_of(move.down_x * (double)x + (move.down_y * (double)y + move.down_0), shape.captured_height, phase);
  float sums[3], weights[TAPS];
  weights_of(phases, phase, weights);
  for (int channel = 0; channel < CHANNELS; channel += 1) sums[channel] = 0.0f;
#pragma unroll
  for (int tap = 0; tap < TAPS; tap += 1) {
    int v = first + tap;
    v = v < move.low ? move.low : v < move.high ? v : move.high - 1;
    for (int channel = 0; channel < CHANNELS; channel += 1)
      sums[channel] = sums[channel] + weights[tap] * along[((long)v * CHANNELS + channel) * shape.width + x];
  }
  double across = move.a * (double)x + move.b * (double)y + move.c, down = move.d * (double)x + move.e * (double)y + move.f;
  bool inside = across >= -0.5 && across <= move.captured_width - 0.5 && down >= -0.5 && down <= move.captured_height - 0.5;
  finish_pixel(sums, shape, colour, dither, x, y, inside, out + 3 * ((long)y * shape.width + x));
}
#endif
